package relay

import (
	"errors"
	"fmt"
	"io"
)

// ErrLocked: another process, or another line of this one, drives the contact.
var ErrLocked = errors.New("relay: the contact is driven by another process or another line")

// Lock claims the contact called name (its controller's address, unit and output) for this process until the result is
// closed or the process ends, however it ends. It is advisory and holds for one machine and network namespace. On other
// systems than Linux nothing is claimed.
func Lock(name string) (io.Closer, error) {
	c, err := claim(name)
	if err != nil {
		return nil, fmt.Errorf("contact %s: %w; stop the other one, or give each line its own contact", name, err)
	}
	return c, nil
}
