package modbus

import (
	"context"
	"fmt"
	"strings"
	"sync"

	"clearback/bridge/relay"
	"clearback/bridge/relay/controller"
)

// Board is one relay board. Add its contacts, then call Start. All methods are safe for concurrent use.
type Board struct {
	*controller.Controller
	opt Options

	// Set by Contact before Start.
	contacts  []*Contact
	watchdogs map[watchdogPlace]uint16
	spans     []*span

	sensing    *sensing
	senseBreak sensePause
}

type watchdogPlace struct {
	unit     uint8
	register uint16
}

// Contact is one coil of a board.
type Contact struct {
	*controller.Contact
	board *Board
	opt   ContactOptions
	// span is the group of inputs that is read together with this contact's input; nil if the contact has no input.
	span  *span
	alone *span // this contact's input only

	// For a timed output with a sequence number.
	mu       sync.Mutex
	seq      uint16 // the last number sent
	boardSeq uint16 // the board's last number, as read at the beginning of the connection
	knowsSeq bool
}

var (
	_ relay.Contact = (*Contact)(nil)
	_ relay.Reader  = (*Contact)(nil)
	_ relay.Sensor  = (*Contact)(nil)
)

// NewBoard returns a board with the given options, or [ErrOptions]. It does not connect.
func NewBoard(o Options) (*Board, error) {
	o, err := o.withDefaults()
	if err != nil {
		return nil, err
	}
	return newBoard(o, newSensing(), o.Address, func(ctx context.Context) (wire, error) {
		conn, err := o.Dial(ctx, o.Address)
		if err != nil {
			return nil, err
		}
		return newTCPWire(conn, o.Timeout), nil
	}), nil
}

// newBoard returns a board that is reached by connect. The string at is its address for errors. The address in o is
// used only to claim the contacts.
func newBoard(o Options, s *sensing, at string, connect func(context.Context) (wire, error)) *Board {
	b := &Board{opt: o, watchdogs: map[watchdogPlace]uint16{}, sensing: s}
	b.Controller = controller.New(controller.Options{Name: o.Name, Noun: "board", At: at, Timeout: o.Timeout,
		Poll: o.Poll, Notify: o.Notify,
		NoLock: o.NoLock, Now: o.Now, Connect: func(ctx context.Context) (controller.Session, error) {
			w, err := connect(ctx)
			if err != nil {
				return nil, err
			}
			return &session{w, b}, nil
		}})
	return b
}

// Contact adds a contact. It may be called only before Start. It returns [relay.ErrLocked] if this process or another
// one has claimed the contact already.
func (b *Board) Contact(o ContactOptions) (*Contact, error) {
	if err := relay.FaultError(ErrOptions, "line "+o.Name, o.Check()); err != nil {
		return nil, err
	}
	for _, c := range b.contacts {
		if c.opt.Unit == o.Unit && c.opt.Coil == o.Coil {
			return nil, fmt.Errorf("board %s: lines %s and %s: %w: unit %d coil %d", b.opt.Name, c.opt.Name, o.Name,
				relay.ErrLocked, o.Unit, o.Coil)
		}
	}
	if w := o.Watchdog; w != nil {
		p, n := watchdogPlace{o.Unit, w.Register}, uint16(counts(w.Timeout, w.Unit))
		if old, ok := b.watchdogs[p]; ok && old != n {
			return nil, fmt.Errorf("%w: board %s: watchdog register %d would need %d for one line and %d for line %s",
				ErrOptions, b.opt.Name, w.Register, old, n, o.Name)
		}
		b.watchdogs[p] = n
		b.PollAtLeast(w.Timeout / 3)
	}
	engine := controller.ContactOptions{Name: o.Name, Kind: o.kind(), Try: controller.TryByClosing,
		Claim: fmt.Sprintf("modbus %s unit %d coil %d", strings.ToLower(b.opt.Address), o.Unit, o.Coil)}
	if t := o.Timed; t != nil {
		engine.Timed = &controller.Timed{Quantum: t.Unit, Limit: t.Limit, SurvivesLoss: true}
		engine.Try = controller.TryNever
		if t.Sequence { // the register map of package agent, in which 0 closes
			engine.Try = controller.TryWithZeroLength
		}
	}
	driven, err := b.Controller.Contact(engine)
	if err != nil {
		return nil, err
	}
	c := &Contact{Contact: driven, board: b, opt: o}
	if o.Sense != nil {
		c.span = b.spanFor(o.Unit, o.Sense.Input)
		c.alone = &span{unit: o.Unit, low: o.Sense.Input, high: o.Sense.Input}
	}
	b.contacts = append(b.contacts, c)
	b.sensing.contacts = append(b.sensing.contacts, c)
	return c, nil
}

// kind is KindOneshot with a timed output, else KindWatchdog with a watchdog, else KindNone.
func (o ContactOptions) kind() relay.Kind {
	switch {
	case o.Timed != nil:
		return relay.KindOneshot
	case o.Watchdog != nil:
		return relay.KindWatchdog
	default:
		return relay.KindNone
	}
}

// current returns the session in use, or an error that says why there is none.
func (b *Board) current() (*session, error) {
	s, err := b.Session()
	if err != nil {
		return nil, err
	}
	return s.(*session), nil
}
