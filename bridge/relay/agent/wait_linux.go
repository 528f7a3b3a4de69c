package agent

import (
	"encoding/binary"
	"errors"
	"sync"
	"time"

	"golang.org/x/sys/unix"
)

// kernelWaiter waits with poll(2) for a timerfd, set to an absolute instant of CLOCK_MONOTONIC, and for an eventfd.
type kernelWaiter struct {
	timer, event int
	base         time.Time // an instant; mono is the same instant on the kernel's clock
	mono         time.Duration

	mu     sync.Mutex
	closed bool
}

func newWaiter(plain bool) (waiter, error) {
	if plain {
		return newPlainWaiter(), nil
	}
	timer, err := unix.TimerfdCreate(unix.CLOCK_MONOTONIC, unix.TFD_CLOEXEC|unix.TFD_NONBLOCK)
	if err != nil {
		return nil, err
	}
	event, err := unix.Eventfd(0, unix.EFD_CLOEXEC|unix.EFD_NONBLOCK)
	if err != nil {
		return nil, errors.Join(err, unix.Close(timer))
	}
	w := &kernelWaiter{timer: timer, event: event}
	var now unix.Timespec
	if err := unix.ClockGettime(unix.CLOCK_MONOTONIC, &now); err != nil {
		return nil, errors.Join(err, unix.Close(timer), unix.Close(event))
	}
	w.base, w.mono = time.Now(), time.Duration(now.Nano())
	return w, nil
}

// wait arms the timer for until, or disarms it if until is zero, and polls both descriptors.
func (w *kernelWaiter) wait(until time.Time) {
	var spec unix.ItimerSpec // zero disarms the timer
	if !until.IsZero() {
		if time.Until(until) <= 0 {
			w.drain()
			return
		}
		spec.Value = unix.NsecToTimespec(int64(w.mono + until.Sub(w.base)))
	}
	if err := unix.TimerfdSettime(w.timer, unix.TFD_TIMER_ABSTIME, &spec, nil); err != nil {
		panic(err) // the descriptor or the time is invalid: a bug of our own, and a contact may be open
	}
	fds := []unix.PollFd{{Fd: int32(w.timer), Events: unix.POLLIN}, {Fd: int32(w.event), Events: unix.POLLIN}}
	_, _ = unix.Poll(fds, -1) // on EINTR the caller checks the clock
	w.drain()
}

func (w *kernelWaiter) drain() {
	var b [8]byte
	_, _ = unix.Read(w.event, b[:]) // EAGAIN: wake was not called
}

func (w *kernelWaiter) wake() {
	w.mu.Lock()
	defer w.mu.Unlock()
	if w.closed {
		return
	}
	var one [8]byte
	binary.NativeEndian.PutUint64(one[:], 1)
	_, _ = unix.Write(w.event, one[:]) // EAGAIN: the thread is awake already
}

func (w *kernelWaiter) close() {
	w.mu.Lock()
	defer w.mu.Unlock()
	if !w.closed {
		w.closed = true
		_, _ = unix.Close(w.timer), unix.Close(w.event)
	}
}
