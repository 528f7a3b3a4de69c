package serial

import (
	"context"
	"fmt"
	"path/filepath"

	"clearback/bridge/relay"
	"clearback/bridge/relay/controller"
)

// Board is one serial port with one contact. Add the contact, then call Start. All methods except Contact are safe for
// concurrent use.
type Board struct {
	*controller.Controller
	opt        Options
	open       openFunc    // tests replace it
	sharedPort *sharedPort // set by Contact
}

// Contact is the contact of a port.
type Contact = controller.Contact

// NewBoard returns a board with the given options, or [ErrOptions]. It does not open the port.
func NewBoard(o Options) (*Board, error) {
	o, err := o.withDefaults()
	if err != nil {
		return nil, err
	}
	b := &Board{opt: o, open: openPort}
	b.Controller = controller.New(controller.Options{Name: o.Name, Noun: "port", At: o.Device, Connect: b.connect,
		Timeout: o.Timeout, Poll: o.Poll,
		Unordered: true, Notify: o.Notify, NoLock: o.NoLock, Now: o.Now})
	return b, nil
}

// Contact adds the only contact. It may be called only before Start. It returns [relay.ErrLocked] if the port has a
// contact, or another process has claimed the port.
func (b *Board) Contact(o ContactOptions) (*Contact, error) {
	if err := relay.FaultError(ErrOptions, "line "+o.Name, o.Check()); err != nil {
		return nil, err
	}
	if b.sharedPort != nil {
		return nil, fmt.Errorf("controller %s: lines %s and %s: %w: "+
			"opening a port moves both its lines, so it can drive only one contact",
			b.opt.Name, b.sharedPort.opt.Name, o.Name, relay.ErrLocked)
	}
	c, err := b.Controller.Contact(controller.ContactOptions{Name: o.Name, Claim: "serial " + realPath(b.opt.Device),
		Senses: o.Sense != nil, Try: controller.TryByClosing})
	if err != nil {
		return nil, err
	}
	b.sharedPort = &sharedPort{device: b.opt.Device, opt: o, timeout: b.opt.Timeout, open: b.open}
	return c, nil
}

// realPath resolves links, since a port can have several names. If the port does not exist, realPath returns the name
// as given.
func realPath(device string) string {
	if p, err := filepath.EvalSymlinks(device); err == nil {
		return p
	}
	return device
}

func (b *Board) connect(ctx context.Context) (controller.Session, error) {
	if b.sharedPort == nil {
		return nil, fmt.Errorf("serial: controller %s has no contact", b.opt.Name)
	}
	if err := b.sharedPort.connect(ctx); err != nil {
		return nil, err
	}
	return controller.NewDeviceSession(b.sharedPort.now(), b.opt.Timeout), nil
}

// Raised reports whether RTS or DTR was on right after the port was last opened, because the kernel turned it on or
// because it had been left on. A contact that is not wired for that (see the package comment) was then open for some
// milliseconds.
func (b *Board) Raised() bool { return b.sharedPort != nil && b.sharedPort.wasRaised() }

// Shutdown calls [controller.Controller.Shutdown] and then closes the port. If the contact opens when its line is on,
// the kernel then turns both lines off.
func (b *Board) Shutdown(ctx context.Context) []controller.NotClosed {
	left := b.Controller.Shutdown(ctx)
	if b.sharedPort != nil {
		b.sharedPort.release()
	}
	return left
}
