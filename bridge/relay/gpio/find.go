package gpio

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"
)

// place is a GPIO line that was found.
type place struct {
	path   string // path of the chip's device
	chip   ChipInfo
	offset int
	name   string // name of the line; may be empty
}

func (p place) String() string {
	chip := p.chip.Name
	if p.chip.Label != "" && p.chip.Label != chip {
		chip += " (" + p.chip.Label + ")"
	}
	if p.name != "" {
		return fmt.Sprintf("line %d (%s) of %s", p.offset, p.name, chip)
	}
	return fmt.Sprintf("line %d of %s", p.offset, chip)
}

// find finds a line of a chip. It looks up both each time, since a chip that was unplugged may come back under another
// path.
func find(k kernel, chip, line string) (place, error) {
	p, err := findChip(k, chip)
	if err != nil {
		return p, err
	}
	if offset, err := strconv.ParseUint(line, 10, 31); err == nil {
		if int(offset) >= p.chip.Lines {
			return p, fmt.Errorf("%w: line %d of chip %s; its lines are 0 to %d", ErrNotFound, offset, chip,
				p.chip.Lines-1)
		}
		i, err := k.lineInfo(p.path, int(offset))
		p.offset, p.name = int(offset), i.Name
		return p, err
	}
	return findNamed(k, p, chip, line)
}

func findNamed(k kernel, p place, chip, line string) (place, error) {
	var offsets, names []string
	for offset := range p.chip.Lines {
		i, err := k.lineInfo(p.path, offset)
		if err != nil {
			return p, err
		}
		if i.Name != "" {
			names = append(names, i.Name)
		}
		if i.Name == line {
			p.offset, p.name = offset, line
			offsets = append(offsets, strconv.Itoa(offset))
		}
	}
	switch len(offsets) {
	case 1:
		return p, nil
	case 0:
		there := "none of its lines has a name"
		if len(names) > 0 {
			there = "its lines with a name are " + strings.Join(names, ", ")
		}
		return p, fmt.Errorf("%w: line %s of chip %s; %s; numbers are 0 to %d", ErrNotFound, line, chip, there,
			p.chip.Lines-1)
	default:
		return p, fmt.Errorf("%w: lines %s of chip %s are all called %s; write the number", ErrAmbiguous,
			strings.Join(offsets, ", "), chip, line)
	}
}

// findChip finds a chip by its path or by its name or label.
func findChip(k kernel, chip string) (place, error) {
	if filepath.IsAbs(chip) {
		i, err := k.chipInfo(chip)
		switch {
		case errors.Is(err, os.ErrNotExist):
			return place{}, fmt.Errorf("%w: chip %s; %s", ErrNotFound, chip, list(k))
		case errors.Is(err, syscall.ENOTTY) || errors.Is(err, syscall.EISDIR):
			return place{}, fmt.Errorf("%w: %s is not a GPIO chip; %s", ErrNotFound, chip, list(k))
		}
		return place{path: chip, chip: i}, err
	}
	paths, err := k.chips()
	if err != nil {
		return place{}, err
	}
	var found []place
	var last error
	for _, path := range paths {
		i, err := k.chipInfo(path)
		if err != nil {
			last = err // may be another chip, or one that is just going away
			continue
		}
		if i.Name == chip || i.Label == chip {
			found = append(found, place{path: path, chip: i})
		}
	}
	switch {
	case len(found) == 1:
		return found[0], nil
	case len(found) > 1:
		return place{}, fmt.Errorf("%w: %d chips are called %s; write the path; %s", ErrAmbiguous, len(found), chip,
			list(k))
	case last != nil:
		return place{}, fmt.Errorf("%w: chip %s; %s: %w", ErrNotFound, chip, list(k), last)
	}
	return place{}, fmt.Errorf("%w: chip %s; %s", ErrNotFound, chip, list(k))
}

// list names the chips of this machine, for errors.
func list(k kernel) string {
	paths, err := k.chips()
	if err != nil || len(paths) == 0 {
		return "this machine has no GPIO chip; is the driver loaded?"
	}
	all := make([]string, len(paths))
	for n, path := range paths {
		all[n] = path
		if i, err := k.chipInfo(path); err == nil {
			all[n] = fmt.Sprintf("%s (label %s, %d lines)", path, i.Label, i.Lines)
		}
	}
	return "there are " + strings.Join(all, ", ")
}

// requestLine finds and requests a line.
func requestLine(k kernel, chip, name string, o LineOptions) (line, place, error) {
	p, err := find(k, chip, name)
	if err != nil {
		return nil, p, err
	}
	l, err := k.request(p.path, p.offset, o)
	if err == nil {
		return l, p, nil
	}
	switch {
	case errors.Is(err, syscall.EBUSY):
		holder := "the kernel or one of its drivers"
		if i, infoErr := k.lineInfo(p.path, p.offset); infoErr == nil && i.Consumer != "" {
			holder = strconv.Quote(i.Consumer)
		}
		return nil, p, fmt.Errorf("%w: %v is held by %s; release it there, or use another line: %w",
			ErrInUse, p, holder, err)
	case !o.Output && (o.Edges || o.Debounce > 0) && (errors.Is(err, syscall.ENXIO) ||
		errors.Is(err, syscall.EOPNOTSUPP)):
		return nil, p, fmt.Errorf("gpio: requesting %v: the chip has no interrupts, "+
			"so it supports neither debouncing nor edges: %w",
			p, err)
	case errors.Is(err, syscall.EOPNOTSUPP):
		return nil, p, fmt.Errorf("gpio: requesting %v: the chip does not support bias %s with drive %s: %w", p, o.Bias,
			o.Drive, err)
	}
	return nil, p, fmt.Errorf("gpio: requesting %v: %w", p, err)
}

// Line is a line that was requested without a [Board]. All methods are safe for concurrent use. Each of them may hang
// in the kernel.
type Line struct{ held line }

// Open requests a line of a chip, both named as in [Options] and [ContactOptions]. An output is inactive from the first
// moment. No other process can use the line until Close.
func Open(chip, line string, o LineOptions) (*Line, error) {
	l, _, err := requestLine(newSystem(), chip, line, o)
	if err != nil {
		return nil, err
	}
	return &Line{l}, nil
}

// Set makes an output active or inactive.
func (l *Line) Set(active bool) error { return l.held.Set(active) }

// Get reads the line. For an output that is the level of the pin, if the chip can read it.
func (l *Line) Get() (active bool, err error) { return l.held.Get() }

// Edge waits for the next edge of an input that was requested with edges. After Close it returns [ErrClosed]. If the
// chip goes away, Edge may wait for ever (it does with kernel 6.1). Get then returns an error.
func (l *Line) Edge() (Edge, error) { return l.held.Edge() }

// Close releases the line in its present state, so make an output inactive first. The chip's driver decides what the
// pin does afterwards.
func (l *Line) Close() error { return l.held.Close() }
