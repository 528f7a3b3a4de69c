package command

import (
	"unsafe"

	"golang.org/x/sys/unix"
)

// childInfo is what waitid tells of a child that ended.
type childInfo struct{ unix.Siginfo }

// childEnd is the beginning of the same (Linux, include/uapi/asm-generic/siginfo.h), of which x/sys/unix names the head
// only. The part for children follows that from where a pointer may stand.
type childEnd struct {
	_, _, _ int32 // the head
	_       [0]uintptr
	_, _    int32 // pid and user
	status  int32
}

const cldExited = 1 // CLD_EXITED of siginfo.h: by itself, not by a signal

func (i *childInfo) pointer() *unix.Siginfo { return &i.Siginfo }

func (i *childInfo) exited() bool { return i.Code == cldExited }

func (i *childInfo) status() int { return int((*childEnd)(unsafe.Pointer(i)).status) }
