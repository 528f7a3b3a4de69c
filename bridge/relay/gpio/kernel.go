package gpio

import (
	"errors"
	"time"
)

// kernel is the part of the operating system that the driver uses. Each call may hang.
type kernel interface {
	// chips lists the paths of the chips' devices.
	chips() ([]string, error)
	chipInfo(path string) (ChipInfo, error)
	lineInfo(path string, offset int) (LineInfo, error)
	request(path string, offset int, o LineOptions) (line, error)
}

// line is a requested GPIO line.
type line interface {
	Set(active bool) error
	Get() (active bool, err error)
	Edge() (Edge, error)
	Close() error
}

// ChipInfo is the kernel's description of a chip.
type ChipInfo struct {
	Name, Label string
	// Lines is the number of lines; their offsets are 0 to Lines-1.
	Lines int
}

// LineInfo is the kernel's description of a line.
type LineInfo struct {
	// Name is empty for most lines of most boards.
	Name string
	// Consumer is the name that the holder gave.
	Consumer string
}

// LineOptions say how to request a line.
type LineOptions struct {
	// Consumer is the name of the holder that other processes see, at most 31 bytes.
	Consumer string
	// Output means that the line is driven, and inactive from the first moment. If false, the line is an input.
	Output    bool
	ActiveLow bool
	Drive     Drive
	Bias      Bias
	// Edges and Debounce are for inputs.
	Edges    bool
	Debounce time.Duration
}

// Edge is a change of an input.
type Edge struct {
	Active bool
	// At is the kernel's time stamp of the change.
	At time.Time
}

// Errors of this package.
var (
	// ErrNotFound means that no chip or no line has the name. The error lists the existing names.
	ErrNotFound = errors.New("gpio: not found")
	// ErrAmbiguous means that more than one chip or line has the name.
	ErrAmbiguous = errors.New("gpio: the name is not unique")
	// ErrInUse means that another process, or the kernel, holds the line. The error names the holder.
	ErrInUse = errors.New("gpio: the line is in use")
	// ErrClosed means that the line was released.
	ErrClosed = errors.New("gpio: the line was released")
	// ErrUnsupported means that this operating system has no GPIO character device.
	ErrUnsupported = errors.New("gpio: only Linux has the GPIO character device")
)
