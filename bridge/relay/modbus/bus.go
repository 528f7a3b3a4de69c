package modbus

import (
	"context"
	"fmt"
	"sync"
	"time"

	"clearback/bridge/relay"
	"clearback/bridge/relay/controller"
)

// Bus is a serial port with one or more relay boards that use Modbus RTU. Add the contacts, then call Start. All
// methods are safe for concurrent use.
type Bus struct {
	opt    BusOptions
	master *master

	mu      sync.Mutex
	started bool             // no contact can be added
	running bool             // the master's run was started
	boards  map[uint8]*Board // by unit; constant once started
	group   controller.Group // of the boards
	sensing *sensing         // one for all boards, since the bus carries one request at a time
}

// NewBus returns a bus with the given options, or [ErrOptions]. It does not open the port.
func NewBus(o BusOptions) (*Bus, error) {
	o, err := o.withDefaults()
	if err != nil {
		return nil, err
	}
	b := &Bus{opt: o, master: newMaster(o), boards: map[uint8]*Board{}, sensing: newSensing()}
	b.master.delayFor = b.delayFor
	return b, nil
}

// Contact adds a contact. It may be called only before Start. The unit must be 1 to 247. (0 is the broadcast address,
// which no board answers.) Contact returns [relay.ErrLocked] if this process or another one has claimed the contact
// already.
func (b *Bus) Contact(o ContactOptions) (*Contact, error) {
	if err := relay.FaultError(ErrOptions, "line "+o.Name, o.CheckOnBus()); err != nil {
		return nil, err
	}
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.started {
		return nil, fmt.Errorf("bus %s on %s: the contact of line %s was added after the start",
			b.opt.Name, b.opt.Device, o.Name)
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
			for _, c := range board.contacts { // other units of the same controller may still be connected
				x.Contact = c.opt.Name
				b.opt.Notify(x)
			}
		}}
	board = newBoard(o, b.sensing, fmt.Sprintf("unit %d on %s", n, b.opt.Device),
		func(ctx context.Context) (wire, error) {
			w, err := b.master.connect(ctx, n)
			if err != nil {
				return nil, err // w would become a non-nil interface that holds a nil pointer
			}
			return w, nil
		})
	return board
}

// Start opens the port and keeps connections to the boards until Shutdown. It returns at once; see Ready.
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

// Ready waits until every board is connected and has been asked to close its contacts. If ctx ends first, the error
// names each board that is not ready and says why.
func (b *Bus) Ready(ctx context.Context) error { return b.group.Ready(ctx) }

// Shutdown refuses new openings, closes every contact and waits for the confirmations until ctx ends. It then closes
// the port, ends all goroutines and releases the contacts. It returns the contacts that are not known to be closed.
func (b *Bus) Shutdown(ctx context.Context) []controller.NotClosed {
	b.mu.Lock()
	running := b.running
	b.started = true // neither Start nor Contact works from here on
	b.mu.Unlock()
	left := b.group.Shutdown(ctx)
	if running {
		b.master.stop()
		<-b.master.done
	}
	return left
}

// delayFor returns how long a request must wait so that it cannot delay the end of another contact's opening. A request
// to a silent unit waits until no opening is under way on other units, since its time-out cannot be shortened. Any
// other request waits if its exchange might last beyond the end of an opening.
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
