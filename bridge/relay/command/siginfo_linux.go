package command

import (
	"unsafe"

	"golang.org/x/sys/unix"
)

// childInfo is the information that waitid returns about a child that has ended.
type childInfo struct{ unix.Siginfo }

// childEnd is the start of the same structure (Linux, include/uapi/asm-generic/siginfo.h), since x/sys/unix names only
// its head. The part about children begins at the next address that is aligned for a pointer.
type childEnd struct {
	_, _, _ int32 // the head
	_       [0]uintptr
	_, _    int32 // pid and user
	status  int32
}

const cldExited = 1 // CLD_EXITED of siginfo.h: ended by itself, not by a signal

func (i *childInfo) pointer() *unix.Siginfo { return &i.Siginfo }

func (i *childInfo) exited() bool { return i.Code == cldExited }

func (i *childInfo) status() int { return int((*childEnd)(unsafe.Pointer(i)).status) }
