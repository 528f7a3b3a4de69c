package command

import (
	"context"
	"fmt"

	"clearback/bridge/relay"
	"clearback/bridge/relay/controller"
)

// Board is one program with the contacts that it drives. Each contact has program runs of its own. Add the contacts,
// then call Start. All methods except Contact are safe for concurrent use.
type Board struct {
	controller.Group
	opt    Options
	start  starter           // tests replace it
	claims map[string]string // line by claim; set by Contact before Start
}

// Contact is one line's contact.
type Contact = controller.Contact

// NewBoard returns a board with the given options, or [ErrOptions]. It does not start the program.
func NewBoard(o Options) (*Board, error) {
	o, err := o.withDefaults()
	if err != nil {
		return nil, err
	}
	return &Board{opt: o, start: start, claims: map[string]string{}}, nil
}

// Contact adds a contact. It may be called only before Start. It returns [relay.ErrLocked] if this process or another
// one has claimed the contact already.
func (b *Board) Contact(o ContactOptions) (*Contact, error) {
	o, err := o.withDefaults()
	if err != nil {
		return nil, err
	}
	claim := o.claim(b.opt.Program)
	if other, ok := b.claims[claim]; ok {
		return nil, fmt.Errorf("controller %s: lines %s and %s: %w: %s would get the same arguments for both",
			b.opt.Name, other, o.Name, relay.ErrLocked, b.opt.Program)
	}
	d := &lineProgram{program: b.opt.Program, opt: o, start: b.start, check: CheckProgram}
	c := controller.New(controller.Options{Name: b.opt.Name, Noun: "program", At: b.opt.Program, Timeout: b.opt.Timeout,
		Poll:      b.opt.Poll,
		Unordered: true, Notify: b.opt.Notify, NoLock: b.opt.NoLock, Now: b.opt.Now,
		Connect: func(ctx context.Context) (controller.Session, error) {
			ctx, cancel := context.WithTimeout(ctx, b.opt.Timeout)
			defer cancel()
			dev, err := d.connect(ctx)
			if err != nil {
				return nil, err
			}
			return controller.NewDeviceSession(dev, b.opt.Timeout), nil
		}})
	e := controller.ContactOptions{Name: o.Name, Claim: claim, Blind: !o.Read, Senses: o.Sense}
	if t := o.Timed; t != nil {
		e.Kind, e.Timed = relay.KindOneshot, &controller.Timed{Quantum: t.Quantum, Limit: t.Limit, SurvivesLoss: true}
	}
	contact, err := c.Contact(e)
	if err != nil {
		return nil, err
	}
	b.claims[claim] = o.Name
	b.Add(c)
	return contact, nil
}
