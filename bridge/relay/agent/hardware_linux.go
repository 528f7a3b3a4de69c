package agent

import (
	"errors"
	"fmt"
	"os"
	"time"

	"golang.org/x/sys/unix"
)

// HardwareWatchdog is the machine's own: it resets the machine when it is not fed. (The interface is described in the
// kernel's Documentation/watchdog/watchdog-api.rst.)
type HardwareWatchdog struct {
	f       *os.File
	timeout time.Duration
}

// OpenHardwareWatchdog opens the device, which starts it, and asks for the time-out, in whole seconds. A driver may
// round it or have one of its own; see Timeout.
func OpenHardwareWatchdog(path string, timeout time.Duration) (*HardwareWatchdog, error) {
	f, err := os.OpenFile(path, os.O_WRONLY|unix.O_NONBLOCK, 0) // a pipe would wait for a reader
	if err != nil {
		return nil, fmt.Errorf("agent: hardware watchdog: %w", err)
	}
	w := &HardwareWatchdog{f: f, timeout: timeout}
	seconds := int32((timeout + time.Second - 1) / time.Second)
	fd := int(f.Fd()) // the file blocks from now on; a watchdog's write does not
	err = unix.IoctlSetPointerInt(fd, unix.WDIOC_SETTIMEOUT, int(seconds))
	got, getErr := unix.IoctlGetInt(fd, unix.WDIOC_GETTIMEOUT)
	switch {
	case getErr == nil && got > 0:
		w.timeout = time.Duration(got) * time.Second
	case err != nil && !errors.Is(err, unix.ENOTTY) && !errors.Is(err, unix.EOPNOTSUPP):
		_ = w.Disarm()
		return nil, fmt.Errorf("agent: hardware watchdog %s: a time-out of %d s: %w; allow it another one", path,
			seconds, err)
	}
	return w, nil
}

// Timeout is what the device has, as far as it tells.
func (w *HardwareWatchdog) Timeout() time.Duration { return w.timeout }

// Feed starts the time anew.
func (w *HardwareWatchdog) Feed() error {
	_, err := w.f.Write([]byte{0}) // any byte but V
	return err
}

// Disarm stops the device, where its driver allows that, by the letter V before the close. A process that ends without
// it leaves the device running.
func (w *HardwareWatchdog) Disarm() error {
	_, err := w.f.Write([]byte{'V'})
	return errors.Join(err, w.f.Close())
}
