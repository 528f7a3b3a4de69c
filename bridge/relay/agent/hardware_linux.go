package agent

import (
	"errors"
	"fmt"
	"os"
	"time"

	"golang.org/x/sys/unix"
)

// HardwareWatchdog is the machine's own watchdog, which resets the machine if it is not fed. The kernel's
// Documentation/watchdog/watchdog-api.rst describes the interface.
type HardwareWatchdog struct {
	f       *os.File
	timeout time.Duration
}

// OpenHardwareWatchdog opens the device, which starts the watchdog, and requests the time-out, rounded up to whole
// seconds. The driver may use another time-out; see Timeout.
func OpenHardwareWatchdog(path string, timeout time.Duration) (*HardwareWatchdog, error) {
	f, err := os.OpenFile(path, os.O_WRONLY|unix.O_NONBLOCK, 0) // a pipe would wait for a reader
	if err != nil {
		return nil, fmt.Errorf("agent: hardware watchdog: %w", err)
	}
	w := &HardwareWatchdog{f: f, timeout: timeout}
	seconds := int32((timeout + time.Second - 1) / time.Second)
	fd := int(f.Fd()) // Fd makes the file blocking, but a write to a watchdog does not block
	err = unix.IoctlSetPointerInt(fd, unix.WDIOC_SETTIMEOUT, int(seconds))
	got, getErr := unix.IoctlGetInt(fd, unix.WDIOC_GETTIMEOUT)
	switch {
	case getErr == nil && got > 0:
		w.timeout = time.Duration(got) * time.Second
	case err != nil && !errors.Is(err, unix.ENOTTY) && !errors.Is(err, unix.EOPNOTSUPP):
		_ = w.Disarm()
		return nil, fmt.Errorf("agent: hardware watchdog %s: a time-out of %d s: %w; set another time-out", path,
			seconds, err)
	}
	return w, nil
}

// Timeout returns the time-out that the device reported, or else the one requested.
func (w *HardwareWatchdog) Timeout() time.Duration { return w.timeout }

// Feed restarts the time-out.
func (w *HardwareWatchdog) Feed() error {
	_, err := w.f.Write([]byte{0}) // any byte but V
	return err
}

// Disarm closes the device after writing the letter V, which stops the watchdog if its driver allows that. If the
// process ends without Disarm, the watchdog keeps running.
func (w *HardwareWatchdog) Disarm() error {
	_, err := w.f.Write([]byte{'V'})
	return errors.Join(err, w.f.Close())
}
