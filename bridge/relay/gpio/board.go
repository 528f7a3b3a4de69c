package gpio

import (
	"context"
	"fmt"

	"clearback/bridge/relay"
	"clearback/bridge/relay/controller"
)

// Board is a GPIO chip with its contacts, each on GPIO lines of its own. Add the contacts, then call Start. All methods
// except Contact are safe for concurrent use.
type Board struct {
	controller.Group
	opt    Options
	kernel kernel
	claims map[string]string // telephone line by GPIO line; set by Contact before Start
}

// Contact is one line's contact.
type Contact = controller.Contact

// NewBoard returns a board with the given options, or [ErrOptions]. It does not request any line. Each connection
// checks that the chip exists.
func NewBoard(o Options) (*Board, error) { return newBoard(o, newSystem()) }

func newBoard(o Options, k kernel) (*Board, error) {
	o, err := o.withDefaults()
	if err != nil {
		return nil, err
	}
	return &Board{opt: o, kernel: k, claims: map[string]string{}}, nil
}

// Contact adds a contact. It may be called only before Start. It returns [relay.ErrLocked] if this clearback or another
// one has claimed the contact already. Another holder of the GPIO line is found only when the line is requested.
func (b *Board) Contact(o ContactOptions) (*Contact, error) {
	o, err := o.withDefaults(b.opt.Chip)
	if err != nil {
		return nil, err
	}
	if other, ok := b.claims[o.Line]; ok {
		return nil, fmt.Errorf("controller %s: lines %s and %s: %w: both use GPIO line %s", b.opt.Name,
			other, o.Name, relay.ErrLocked, o.Line)
	}
	d := &contactLines{kernel: b.kernel, chip: b.opt.Chip, opt: o, timeout: b.opt.Timeout}
	c := controller.New(controller.Options{Name: b.opt.Name, Noun: "GPIO chip",
		At:      fmt.Sprintf("%s line %s", b.opt.Chip, o.Line),
		Timeout: b.opt.Timeout, Poll: b.opt.Poll, Notify: b.opt.Notify, NoLock: b.opt.NoLock, Now: b.opt.Now,
		Connect: func(ctx context.Context) (controller.Session, error) {
			dev, err := d.connect(ctx)
			if err != nil {
				return nil, err
			}
			return controller.NewDeviceSession(dev, b.opt.Timeout), nil
		}})
	contact, err := c.Contact(controller.ContactOptions{Name: o.Name, Claim: "gpio " + b.opt.Chip + " " + o.Line,
		Kind: relay.KindNone, Senses: o.Sense != nil,
		Try: controller.TryByClosing})
	if err != nil {
		return nil, err
	}
	b.claims[o.Line] = o.Name
	b.Add(c)
	return contact, nil
}
