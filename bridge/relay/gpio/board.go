package gpio

import (
	"context"
	"fmt"

	"clearback/bridge/relay"
	"clearback/bridge/relay/controller"
)

// Board is a GPIO chip and the contacts on it, each with its lines of its own. Make the contacts, then Start it. All
// methods are safe for concurrent use but Contact.
type Board struct {
	controller.Group
	opt    Options
	kernel kernel
	claims map[string]string // GPIO line to telephone line, set by Contact before Start
}

// Contact is one line's contact.
type Contact = controller.Contact

// NewBoard checks the options. Nothing is requested yet; that the chip is there is seen at each connection.
func NewBoard(o Options) (*Board, error) { return newBoard(o, newSystem()) }

func newBoard(o Options, k kernel) (*Board, error) {
	o, err := o.withDefaults()
	if err != nil {
		return nil, err
	}
	return &Board{opt: o, kernel: k, claims: map[string]string{}}, nil
}

// Contact adds a contact; only before Start. It fails with [relay.ErrLocked] if the contact is taken, here or by
// another clearback. Who else holds the line is known when it is requested.
func (b *Board) Contact(o ContactOptions) (*Contact, error) {
	o, err := o.withDefaults(b.opt.Chip)
	if err != nil {
		return nil, err
	}
	if other, ok := b.claims[o.Line]; ok {
		return nil, fmt.Errorf("controller %s: lines %s and %s: %w: both are to be driven by GPIO line %s", b.opt.Name,
			other, o.Name, relay.ErrLocked, o.Line)
	}
	d := &contactLines{kernel: b.kernel, chip: b.opt.Chip, opt: o, timeout: b.opt.Timeout}
	c := controller.New(controller.Options{Name: b.opt.Name, What: "GPIO chip",
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
		Trial: controller.TrialIsClose})
	if err != nil {
		return nil, err
	}
	b.claims[o.Line] = o.Name
	b.Add(c)
	return contact, nil
}
