package command

import (
	"encoding/binary"
	"unsafe"

	"golang.org/x/sys/unix"
)

// childInfo is what waitid tells of a child that ended. The part for children (pid, user and status, 32 bits each) follows the head, from where a
// pointer may stand (Linux, include/uapi/asm-generic/siginfo.h); x/sys/unix names the head only.
type childInfo struct{ unix.Siginfo }

const (
	cldExited    = 1 // CLD_EXITED of siginfo.h: by itself, not by a signal
	headLength   = 12
	beforeStatus = 8
)

func (i *childInfo) pointer() *unix.Siginfo { return &i.Siginfo }

func (i *childInfo) exited() bool { return i.Code == cldExited }

func (i *childInfo) status() int {
	const word = int(unsafe.Sizeof(uintptr(0)))
	at := (headLength+word-1)/word*word + beforeStatus
	all := (*[unsafe.Sizeof(unix.Siginfo{})]byte)(unsafe.Pointer(i))
	return int(int32(binary.NativeEndian.Uint32(all[at:])))
}
