package modbus

import (
	"context"
	"fmt"
	"sync"
	"time"

	"clearback/bridge/relay"
	"clearback/bridge/relay/controller"
)

// Bus is a serial port with one relay board or more on Modbus RTU. Make its contacts, then Start it. All methods are
// safe for concurrent use.
type Bus struct {
	opt    BusOptions
	master *master

	mu      sync.Mutex
	started bool             // no contacts any more
	running bool             // master runs, or has run
	boards  map[uint8]*Board // by unit; fixed once started
	group   controller.Group // of the boards
	sensing *sensing         // one for all boards, since one asks at a time
}

// NewBus checks the options. Nothing is opened yet.
func NewBus(o BusOptions) (*Bus, error) {
	o, err := o.withDefaults()
	if err != nil {
		return nil, err
	}
	b := &Bus{opt: o, master: newMaster(o), boards: map[uint8]*Board{}, sensing: newSensing()}
	b.master.delayFor = b.delayFor
	return b, nil
}

// Contact adds a contact; only before Start. Its unit is 1 to 247: 0 would be all boards at once, and nobody answers to
// that. It fails with [relay.ErrLocked] if the contact is taken, here or by another process.
func (b *Bus) Contact(o ContactOptions) (*Contact, error) {
	if o.Unit == 0 || o.Unit > 247 {
		return nil, fmt.Errorf("%w: line %s: unit %d; on a serial line allowed are 1 to 247", ErrOptions, o.Name,
			o.Unit)
	}
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.started {
		return nil, fmt.Errorf("bus %s on %s: contact for line %s after the start", b.opt.Name, b.opt.Device, o.Name)
	}
	board := b.boards[o.Unit]
	if board == nil {
		board = b.newBoard(o.Unit)
	}
	c, err := board.Contact(o)
	if err != nil {
		return nil, err
	}
	if b.boards[o.Unit] == nil {
		b.boards[o.Unit] = board
		b.group.Add(board.Controller)
	}
	return c, nil
}

func (b *Bus) newBoard(n uint8) *Board {
	var board *Board
	o := Options{Name: b.opt.Name, Address: "serial " + b.opt.Device, Timeout: b.opt.Timeout, Poll: b.opt.Poll,
		NoLock: b.opt.NoLock, Now: b.opt.Now,
		Notify: func(x relay.Notice) {
			if x.Contact != "" {
				b.opt.Notify(x)
				return
			}
			for _, c := range board.contacts { // other units of the same controller may be well
				x.Contact = c.opt.Name
				b.opt.Notify(x)
			}
		}}
	board = newBoard(o, b.sensing, fmt.Sprintf("unit %d on %s", n, b.opt.Device),
		func(ctx context.Context) (wire, error) {
			w, err := b.master.connect(ctx, n)
			if err != nil {
				return nil, err // not a nil *unitWire in an interface
			}
			return w, nil
		})
	return board
}

// Start opens the port and connects to the boards, and stays so until Shutdown. It does not wait; see Ready.
func (b *Bus) Start() {
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.started {
		return
	}
	b.started, b.running = true, true
	for n := range b.boards {
		b.master.units[n] = &unit{}
	}
	go b.master.run()
	b.group.Start()
}

// Ready waits until every board is there and its contacts have been asked to close. Its error tells which are not when
// ctx ends, and why.
func (b *Bus) Ready(ctx context.Context) error { return b.group.Ready(ctx) }

// Shutdown refuses new openings, closes every contact and waits for the confirmations until ctx ends, then gives up the
// port, ends all goroutines and frees the contacts. It returns the contacts that are not known to be closed.
func (b *Bus) Shutdown(ctx context.Context) []controller.NotClosed {
	b.mu.Lock()
	running := b.running
	b.started = true // no Start and no Contact after this
	b.mu.Unlock()
	left := b.group.Shutdown(ctx)
	if running {
		b.master.stop()
		<-b.master.done
	}
	return left
}

// delayFor keeps a request from delaying the end of an opening of another contact. A silent unit, whose time-out nobody
// can shorten, waits until none is under way on other units; any other request, if an exchange would not be over before
// the end.
func (b *Bus) delayFor(j *job, silent bool, took time.Duration) time.Duration {
	now := time.Now()
	for _, c := range b.sensing.contacts {
		if c == j.contact || c.opt.Timed != nil {
			continue
		}
		under, ends, _ := c.UnderWay()
		switch {
		case !under:
		case silent && c.opt.Unit != j.wire.unit:
			return max(senseLook, ends.Sub(now))
		case !silent && !ends.IsZero() && ends.Sub(now) < took+senseClear:
			return max(senseLook, ends.Sub(now))
		}
	}
	return 0
}
