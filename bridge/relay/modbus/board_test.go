package modbus

import (
	"context"
	"io"
	"log"
	"slices"
	"sync"
	"testing"
	"time"

	"clearback/bridge/relay"
	"clearback/bridge/relay/modbus/modbustest"
	"clearback/bridge/relay/relaytest"

	mb "github.com/simonvetter/modbus"
	"github.com/stretchr/testify/require"
)

// Whatever happened before, each connection begins with closes, and first with that of the line that may be open. The
// watchdog is written after the closes.
func TestEveryConnectionBeginsWithClosed(t *testing.T) {
	leakCheck(t)
	board := modbustest.NewBoard(t, modbustest.BoardOptions{OpenOn: true, Open: true})
	notices := make(chan relay.Notice, 1000) // notices must not block; a run has fewer
	sub := subject(t, board, board.Address(), relaytest.Setup{Notify: func(n relay.Notice) { notices <- n }},
		func(o *ContactOptions) {
			o.Watchdog = &Watchdog{Register: 7, Unit: 100 * time.Millisecond, Timeout: 1050 * time.Millisecond}
		})
	sub.Start()
	ctx, cancel := context.WithTimeout(context.Background(), 5*time.Second)
	defer cancel()
	require.NoError(t, sub.Ready(ctx))
	opened := make(chan struct{})
	result := make(chan relay.Result, 1) // as in driver.interrupt
	go func() {
		result <- sub.Contacts[1].Interrupt(ctx, relay.Interruption{Seq: 1, Duration: time.Minute,
			NotAfter: time.Now().Add(time.Second),
			Opened:   func(time.Time) { close(opened) }})
	}()
	<-opened
	board.Cut()
	require.Equal(t, relay.Unknown, (<-result).Outcome)
	board.Restore()
	for n := range notices {
		if n.Kind == relay.LinkBack {
			break
		}
	}
	require.Empty(t, sub.Shutdown(ctx))

	first := map[int][]string{}
	for _, e := range board.Requests() {
		if len(first[e.Conn]) < 5 {
			first[e.Conn] = append(first[e.Conn], e.PDU)
		}
	}
	closeA, closeB := string(writeCoil(0, false)), string(writeCoil(1, false))
	// 1,050 ms, rounded up
	readA, readB, dog := string(readCoils(0, 1)), string(readCoils(1, 1)), string(writeRegister(7, 11))
	require.Equal(t, map[int][]string{1: {closeA, closeB, readA, readB, dog}, 2: {closeB, closeA, readB, readA, dog}},
		first)
}

// The watchdog of a libmodbus board does not shorten an opening while the driver lives, and ends the opening when the
// network is down.
func TestWatchdogBoard(t *testing.T) {
	t.Parallel()
	// The watchdog is longer than a busy machine makes the driver wait between two polls.
	board, dog := newLibmodbusBoard(t, "--watchdog", "5,10"), 3*time.Second
	sub := subject(t, board, board.Address(), relaytest.Setup{Timeout: 10 * time.Second}, func(o *ContactOptions) {
		o.Watchdog = &Watchdog{Register: 5, Unit: 10 * time.Millisecond, Timeout: dog}
	})
	require.Equal(t, relay.KindWatchdog, sub.Contacts[0].Kind())
	sub.Start()
	ctx, cancel := context.WithTimeout(context.Background(), time.Minute)
	defer cancel()
	require.NoError(t, sub.Ready(ctx))
	length := dog + 700*time.Millisecond
	r := sub.Contacts[0].Interrupt(ctx, relay.Interruption{Seq: 1, Duration: length,
		NotAfter: time.Now().Add(30 * time.Second)})
	require.Equal(t, relay.Done, r.Outcome, "%v", r.Err)
	ch := board.Changes(0)
	require.Len(t, ch, 2)
	require.GreaterOrEqual(t, width(ch), length-500*time.Microsecond)

	from := len(board.Events()) // the watchdog may have ended it before, between two polls
	r = sub.Contacts[0].Interrupt(ctx, relay.Interruption{Seq: 2, Duration: time.Minute,
		NotAfter: time.Now().Add(30 * time.Second),
		Opened:   func(time.Time) { go board.Cut() }})
	require.Equal(t, relay.Unknown, r.Outcome)
	board.Await(t, "watchdog", from)
	require.Len(t, board.Changes(0), 4)
	board.Restore()
	require.NoError(t, sub.Contacts[0].Close(ctx))
}

func TestTimedOutput(t *testing.T) {
	leakCheck(t)
	board := newLibmodbusBoard(t, "--timed", "10,0,20", "--timed", "11,1,20")
	sub := subject(t, board, board.Address(), relaytest.Setup{}, func(o *ContactOptions) {
		o.Timed = &Timed{Register: 10 + o.Coil, Unit: 20 * time.Millisecond, Limit: 110 * time.Millisecond}
	})
	require.Equal(t, relay.KindOneshot, sub.Contacts[0].Kind())
	sub.Start()
	ctx, cancel := context.WithTimeout(context.Background(), 5*time.Second)
	defer cancel()
	require.NoError(t, sub.Ready(ctx))
	late := time.Now().Add(time.Minute)

	r := sub.Contacts[0].Interrupt(ctx, relay.Interruption{Seq: 1, Duration: 41 * time.Millisecond, NotAfter: late})
	require.Equal(t, relay.Done, r.Outcome, "%v", r.Err)
	require.GreaterOrEqual(t, r.OpenFor, 59*time.Millisecond)
	require.GreaterOrEqual(t, width(board.Changes(0)), 59*time.Millisecond, "41 ms are 3 units of 20 ms")

	r = sub.Contacts[0].Interrupt(ctx, relay.Interruption{Seq: 2, Duration: 101 * time.Millisecond, NotAfter: late})
	require.ErrorIs(t, r.Err, relay.ErrRefused, "120 ms are beyond the limit")

	// The network fails during the opening, and the board ends the opening itself.
	allowed := relaytest.Allowance(t)
	r = sub.Contacts[0].Interrupt(ctx, relay.Interruption{Seq: 3, Duration: 100 * time.Millisecond, NotAfter: late,
		Opened: func(time.Time) { go board.Cut() }})
	require.Equal(t, relay.Unknown, r.Outcome)
	require.Eventually(t, func() bool { return len(board.Changes(0)) == 4 }, 5*time.Second, time.Millisecond)
	w := width(board.Changes(0)[2:])
	require.GreaterOrEqual(t, w, 99500*time.Microsecond)
	require.Less(t, w, 150*time.Millisecond+allowed())
	board.Restore()
	require.NoError(t, sub.Contacts[0].Close(ctx))
}

// If the board's own timer does not end an opening, the driver ends it and raises an alarm.
func TestTimerThatDoesNotEnd(t *testing.T) {
	leakCheck(t)
	board := modbustest.NewBoard(t, modbustest.BoardOptions{OpenOn: true,
		Timers: []modbustest.Timer{{Unit: time.Hour}}}) // where the options say 20 ms
	notices := make(chan relay.Notice, 1000) // notices must not block; a run has fewer
	sub := subject(t, board, board.Address(), relaytest.Setup{Notify: func(n relay.Notice) { notices <- n }},
		func(o *ContactOptions) {
			o.Timed = &Timed{Register: o.Coil, Unit: 20 * time.Millisecond, Limit: time.Second}
		})
	sub.Start()
	ctx, cancel := context.WithTimeout(context.Background(), 5*time.Second)
	defer cancel()
	require.NoError(t, sub.Ready(ctx))
	late := relaytest.Allowance(t)
	r := sub.Contacts[0].Interrupt(ctx, relay.Interruption{Seq: 1, Duration: 40 * time.Millisecond,
		NotAfter: time.Now().Add(time.Minute)})
	require.Equal(t, relay.Done, r.Outcome, "%v", r.Err)
	n := <-notices
	require.Equal(t, relay.TimerFailed, n.Kind)
	require.True(t, n.Kind.Alarm())
	ch := board.Changes(0)
	require.Len(t, ch, 2)
	require.Less(t, width(ch), 500*time.Millisecond+late())
}

func TestOneLineOneContact(t *testing.T) {
	leakCheck(t)
	address := relaytest.ProcessName("relays") + ".example:502" // nothing is started
	one, err := NewBoard(Options{Name: "one", Address: address})
	require.NoError(t, err)
	o := ContactOptions{Name: "box-office", Unit: 1, Coil: 3, OpenOn: true}
	_, err = one.Contact(o)
	require.NoError(t, err)
	o.Name = "stage-door"
	_, err = one.Contact(o)
	require.ErrorIs(t, err, relay.ErrLocked)
	require.ErrorContains(t, err, "box-office")
	require.ErrorContains(t, err, "stage-door")

	two, err := NewBoard(Options{Name: "two", Address: address})
	require.NoError(t, err)
	_, err = two.Contact(o)
	require.ErrorIs(t, err, relay.ErrLocked)
	other := o
	other.Coil = 4
	_, err = two.Contact(other)
	require.NoError(t, err)

	closer, err := NewBoard(Options{Name: "closer", Address: address, NoLock: true})
	require.NoError(t, err)
	_, err = closer.Contact(o)
	require.NoError(t, err)

	require.Empty(t, one.Shutdown(t.Context()))
	_, err = two.Contact(o)
	require.NoError(t, err, "the claim ends with the board")
	require.Empty(t, two.Shutdown(t.Context()))
	require.Empty(t, closer.Shutdown(t.Context()))
	_, err = two.Contact(ContactOptions{Name: "workshop", Unit: 1, Coil: 5})
	require.Error(t, err, "no contact after the end")
}

func TestOptionsOutOfRange(t *testing.T) {
	for message, o := range map[string]Options{
		"host:port":    {Address: "relays.example"},
		"timeout: 1ms": {Address: "relays.example:502", Timeout: time.Millisecond},
		"timeout: 1m":  {Address: "relays.example:502", Timeout: time.Minute},
		"poll: 1ms":    {Address: "relays.example:502", Poll: time.Millisecond},
	} {
		_, err := NewBoard(o)
		require.ErrorIs(t, err, ErrOptions, message)
		require.ErrorContains(t, err, message)
	}
	b, err := NewBoard(Options{Name: "board", Address: "127.0.0.1:1", NoLock: true})
	require.NoError(t, err)
	for message, o := range map[string]ContactOptions{
		"unit: 0":                {Unit: 0},
		"unit: 248":              {Unit: 248},
		"timed.unit:":            {Unit: 1, Timed: &Timed{Unit: time.Microsecond, Limit: time.Second}},
		"timed.limit: 0s":        {Unit: 1, Timed: &Timed{Unit: time.Millisecond}},
		"limit: 2m0s":            {Unit: 1, Timed: &Timed{Unit: time.Millisecond, Limit: 2 * time.Minute}},
		"watchdog.unit:":         {Unit: 1, Watchdog: &Watchdog{Timeout: time.Second}},
		"watchdog.timeout: 1ms":  {Unit: 1, Watchdog: &Watchdog{Unit: time.Millisecond, Timeout: time.Millisecond}},
		"watchdog.timeout: 2m0s": {Unit: 1, Watchdog: &Watchdog{Unit: time.Millisecond, Timeout: 2 * time.Minute}},
	} {
		_, err := b.Contact(o)
		require.ErrorIs(t, err, ErrOptions, message)
		require.ErrorContains(t, err, message)
	}
	w := Watchdog{Register: 1, Unit: time.Millisecond, Timeout: time.Second}
	_, err = b.Contact(ContactOptions{Unit: 1, Coil: 0, Watchdog: &w})
	require.NoError(t, err)
	w2 := w
	w2.Timeout = 2 * time.Second
	_, err = b.Contact(ContactOptions{Unit: 1, Coil: 1, Watchdog: &w2})
	require.ErrorIs(t, err, ErrOptions, "one register cannot hold two values")
}

// libraryBoard is a register model behind the server of a Modbus library, as a third implementation beside libmodbus.
type libraryBoard struct {
	mu    sync.Mutex
	coils [16]bool
	moves []bool // of coil 3
}

func (b *libraryBoard) HandleCoils(r *mb.CoilsRequest) ([]bool, error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	if int(r.Addr)+int(r.Quantity) > len(b.coils) {
		return nil, mb.ErrIllegalDataAddress
	}
	if r.IsWrite {
		copy(b.coils[r.Addr:], r.Args)
		b.moves = append(b.moves, r.Args...)
	}
	return slices.Clone(b.coils[r.Addr : r.Addr+r.Quantity]), nil
}

func (b *libraryBoard) HandleDiscreteInputs(*mb.DiscreteInputsRequest) ([]bool, error) {
	return nil, mb.ErrIllegalFunction
}

func (b *libraryBoard) HandleHoldingRegisters(*mb.HoldingRegistersRequest) ([]uint16, error) {
	return nil, mb.ErrIllegalFunction
}

func (b *libraryBoard) HandleInputRegisters(*mb.InputRegistersRequest) ([]uint16, error) {
	return nil, mb.ErrIllegalFunction
}

// Source: github.com/simonvetter/modbus v1.6.4 as the peer.
func TestAgainstALibraryServer(t *testing.T) {
	leakCheck(t)
	board := &libraryBoard{}
	address := relaytest.Address(t) // the library's server does not accept a listener
	server, err := mb.NewServer(&mb.ServerConfiguration{URL: "tcp://" + address, Logger: log.New(io.Discard, "", 0)},
		board)
	require.NoError(t, err)
	require.NoError(t, server.Start())
	d := drive(t, address, nil)
	d.ready()
	require.Equal(t, relay.Done, (<-d.interrupt(1, 20*time.Millisecond)).Outcome)
	ctx, cancel := context.WithTimeout(context.Background(), 5*time.Second)
	defer cancel()
	level, err := d.Read(ctx)
	require.NoError(t, err)
	require.Equal(t, relay.LevelClosed, level)
	require.Empty(t, d.Shutdown(ctx))
	require.NoError(t, server.Stop())
	board.mu.Lock()
	defer board.mu.Unlock()
	require.Equal(t, []bool{false, true, false, false}, board.moves, "start, opening, its end, shutdown")
}
