package relay

import (
	"errors"
	"fmt"
	"io"
)

// ErrLocked means that another process, or another line of this process, drives the contact.
var ErrLocked = errors.New("relay: the contact is driven by another process or another line")

// Lock claims the contact called name (its controller's address, unit and output) for this process. The claim ends when
// the result is closed or the process ends, whatever ends it. The claim is advisory and holds within one machine and
// network namespace. On systems other than Linux, Lock claims nothing.
func Lock(name string) (io.Closer, error) {
	c, err := claim(name)
	if err != nil {
		return nil, fmt.Errorf("contact %s: %w; stop the other one, or give each line its own contact", name, err)
	}
	return c, nil
}
