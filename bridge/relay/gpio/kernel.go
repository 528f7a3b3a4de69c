package gpio

import (
	"errors"
	"time"
)

// kernel is what the driver asks of the operating system. Each call may hang.
type kernel interface {
	// chips lists the paths of the chips' devices.
	chips() ([]string, error)
	chipInfo(path string) (ChipInfo, error)
	lineInfo(path string, offset int) (LineInfo, error)
	request(path string, offset int, o LineOptions) (line, error)
}

// line is a GPIO line that was requested.
type line interface {
	Set(active bool) error
	Get() (active bool, err error)
	Edge() (Edge, error)
	Close() error
}

// ChipInfo is what the kernel tells of a chip.
type ChipInfo struct {
	Name, Label string
	// Lines is how many it has; their offsets are 0 to Lines-1.
	Lines int
}

// LineInfo is what the kernel tells of a line, held by whomever.
type LineInfo struct {
	// Name is empty for most lines of most boards.
	Name string
	// Consumer is what the holder calls itself.
	Consumer string
	// Used: it cannot be requested.
	Used      bool
	ActiveLow bool
	Output    bool
	// Drive is PushPull for inputs too.
	Drive Drive
	Bias  Bias
	// Debounce is 0 if there is none.
	Debounce time.Duration
}

// LineOptions say how a line is requested.
type LineOptions struct {
	// Consumer is what others read when they ask who holds it; at most 31 bytes are kept.
	Consumer string
	// Output: it is driven, inactive from the first moment. Else it is an input.
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
	// At is the kernel's time of it.
	At time.Time
}

// Errors of this package.
var (
	// ErrNotFound: no chip or no line answers to the name; the error lists those that there are.
	ErrNotFound = errors.New("gpio: not found")
	// ErrAmbiguous: more than one does.
	ErrAmbiguous = errors.New("gpio: the name is not unique")
	// ErrInUse: somebody else holds the line; the error names the holder.
	ErrInUse = errors.New("gpio: the line is in use")
	// ErrClosed: the line was given back.
	ErrClosed = errors.New("gpio: the line was given back")
	// ErrUnsupported: this operating system has no GPIO character device.
	ErrUnsupported = errors.New("gpio: only Linux has the GPIO character device")
)
