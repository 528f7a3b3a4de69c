package modbus

import (
	"context"
	"strconv"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"clearback/bridge/relay"
	"clearback/bridge/relay/modbus/modbustest"
	"clearback/bridge/relay/relaytest"
)

// TestSense reads inputs of either polarity, on a libmodbus board whose inputs are the opposite of its coils.
func TestSense(t *testing.T) {
	for _, currentOn := range []bool{true, false} {
		b := newLibmodbusBoard(t, "--loop-inverse")
		board, err := NewBoard(Options{Name: "cabinet", Address: b.Address(), Timeout: time.Second})
		require.NoError(t, err)
		with, err := board.Contact(ContactOptions{Name: "box-office", Unit: 1, Coil: 2, OpenOn: true,
			Sense: &Sense{Input: 2, CurrentOn: currentOn}})
		require.NoError(t, err)
		without, err := board.Contact(ContactOptions{Name: "stage-door", Unit: 1, Coil: 3, OpenOn: true})
		require.NoError(t, err)
		board.Start()
		ctx, cancel := context.WithTimeout(t.Context(), 10*time.Second)
		defer cancel()
		require.NoError(t, board.Ready(ctx))

		sensed := func() relay.Level {
			l, err := with.Sense(ctx)
			require.NoError(t, err)
			return l
		}
		whole, broken := relay.LevelClosed, relay.LevelOpen
		if !currentOn {
			whole, broken = broken, whole
		}
		assert.Equal(t, whole, sensed())
		opened := make(chan relay.Level, 1)
		r := with.Interrupt(ctx, relay.Interruption{Seq: 1, Duration: 300 * time.Millisecond,
			NotAfter: time.Now().Add(5 * time.Second),
			Opened:   func(time.Time) { go func() { opened <- sensed() }() }})
		require.NoError(t, r.Err)
		assert.Equal(t, broken, <-opened)
		assert.Equal(t, whole, sensed())
		_, err = without.Sense(ctx)
		assert.ErrorIs(t, err, relay.ErrNoSense)
		board.Shutdown(ctx)
		_, err = with.Sense(ctx)
		assert.Error(t, err)
	}
}

// sensingBoard returns a connected board with eight lines that all have an input. A coil that is on means that the loop
// is open; current flows while the input is off.
func sensingBoard(t *testing.T, o modbustest.BoardOptions) (sensedBoard, *Board, []*Contact) {
	t.Helper()
	o.OpenOn = true
	board := sensedBoard{modbustest.NewBoard(t, o)}
	b, err := NewBoard(Options{Name: "cabinet", Address: board.Address(), Timeout: time.Second, Poll: time.Hour})
	require.NoError(t, err)
	var contacts []*Contact
	for i := range 8 {
		c, err := b.Contact(ContactOptions{Name: "line " + strconv.Itoa(i), Unit: 1, Coil: uint16(i), OpenOn: true,
			Sense: &Sense{Input: uint16(i)}})
		require.NoError(t, err)
		contacts = append(contacts, c)
	}
	b.Start()
	ctx, cancel := context.WithTimeout(context.Background(), 10*time.Second)
	t.Cleanup(func() { b.Shutdown(ctx); cancel() })
	require.NoError(t, b.Ready(ctx))
	return board, b, contacts
}

// sensedBoard is a board whose readings count.
type sensedBoard struct{ *modbustest.Board }

// slow delays every answer by the given time.
func (b sensedBoard) slow(answer time.Duration) {
	b.Inject(relaytest.Fault{Do: relaytest.Delay, Delay: answer})
	b.Inject(relaytest.Fault{Do: relaytest.Delay, Delay: answer, On: modbustest.Sensing})
}

// readings returns the received requests for inputs.
func (b sensedBoard) readings() (all []modbustest.Request) {
	for _, w := range b.Requests() {
		if w.PDU[0] == 2 {
			all = append(all, w)
		}
	}
	return all
}

// senseAll reads the inputs of all contacts at the same time, the given number of times, and returns the levels of the
// last time.
func senseAll(t *testing.T, contacts []*Contact, times int) []relay.Level {
	levels := make([]relay.Level, len(contacts))
	var all sync.WaitGroup
	for i, c := range contacts {
		all.Go(func() {
			for range times {
				l, err := c.Sense(t.Context())
				assert.NoError(t, err)
				levels[i] = l
			}
		})
	}
	all.Wait()
	return levels
}

// Lines of one board share a reading, and each gets its own bit.
func TestSenseIsShared(t *testing.T) {
	t.Parallel()
	board, _, contacts := sensingBoard(t, modbustest.BoardOptions{})
	board.Move(3, true)
	levels := senseAll(t, contacts, 1)
	for i, l := range levels {
		assert.Equal(t, i == 3, l == relay.LevelOpen, i)
	}
	r := board.readings()
	require.LessOrEqual(t, len(r), 2, "a line that wakes late on a busy machine causes a second reading")
	assert.Equal(t, "\x02\x00\x00\x00\x08", r[0].PDU, "Modbus Application Protocol 1.1b3, section 6.2")

	before := len(r)
	senseAll(t, contacts, 10)
	r = board.readings()[before:]
	assert.LessOrEqual(t, len(r), 14)
	for i := 1; i < len(r); i++ {
		assert.GreaterOrEqual(t, r[i].At-r[i-1].At, senseSpacing-5*time.Millisecond, "no more than 50 a second")
	}
}

// If a board refuses to read a range with a gap, its inputs are read one by one.
func TestSenseWithGaps(t *testing.T) {
	t.Parallel()
	board, _, contacts := sensingBoard(t, modbustest.BoardOptions{SingleInputs: true})
	board.Move(3, true)
	for range 2 {
		before := len(board.readings())
		for i, l := range senseAll(t, contacts[2:5], 1) {
			assert.Equal(t, i == 1, l == relay.LevelOpen, i)
		}
		if made := len(board.readings()) - before; before == 0 {
			assert.LessOrEqual(t, made, 6, "each may have asked for the row")
		} else {
			assert.Equal(t, 3, made, "nobody asks for the row again")
		}
	}
}

// senseUntil reads the inputs of all contacts without a pause, until end is called.
func senseUntil(t *testing.T, contacts []*Contact) (ctx context.Context, end func()) {
	ctx, cancel := context.WithCancel(t.Context())
	var all sync.WaitGroup
	for _, c := range contacts {
		all.Go(func() {
			for ctx.Err() == nil {
				c.Sense(ctx)
			}
		})
	}
	return ctx, func() { cancel(); all.Wait() }
}

// before returns the readings that the board carried out between the instant asked and the first command pdu after it,
// and the time of that command.
func (b sensedBoard) before(pdu []byte, asked time.Duration) (readings []time.Duration, came time.Duration) {
	for _, w := range b.Requests() {
		switch {
		case w.At < asked:
		case w.PDU[0] == 2:
			readings = append(readings, w.At)
		case w.PDU == string(pdu):
			return readings, w.At
		}
	}
	return readings, -1
}

// On a board that needs 60 ms for each request, the readings of eight lines delay an opening by at most one answer, and
// do not delay its end.
func TestSenseDelaysNoOpening(t *testing.T) {
	t.Parallel()
	const answer, length, times = 60 * time.Millisecond, 400 * time.Millisecond, 4
	board, _, contacts := sensingBoard(t, modbustest.BoardOptions{})
	board.slow(answer)
	ctx, end := senseUntil(t, contacts)
	enough := time.NewTicker(time.Millisecond)
	defer enough.Stop()
	for len(board.readings()) < 4 {
		<-enough.C
	}
	for i, r := 1, board.readings(); i < len(r); i++ {
		assert.GreaterOrEqual(t, r[i].At-r[i-1].At, 4*answer-5*time.Millisecond,
			"a quarter of the board's time at most")
	}
	inTheWay := 0
	for k := range times {
		asked := board.Since()
		r := contacts[0].Interrupt(ctx, relay.Interruption{Seq: uint32(k + 1), Duration: length +
			time.Duration(17*k)*time.Millisecond, NotAfter: time.Now().Add(time.Second)})
		require.Equal(t, relay.Done, r.Outcome, "%v", r.Err)
		first, opened := board.before(writeCoil(0, true), asked)
		assert.LessOrEqual(t, len(first), 1, "the one that had been written")
		readings, closed := board.before(writeCoil(0, false), opened)
		if n := len(readings); n > 0 && readings[n-1]+answer > closed-5*time.Millisecond {
			inTheWay++
		}
	}
	over := len(board.readings())
	for len(board.readings()) < over+4 {
		<-enough.C
	}
	end()
	shortest := time.Hour
	for i, r := over+1, board.readings(); i < len(r); i++ {
		shortest = min(shortest, r[i].At-r[i-1].At)
	}
	assert.Less(t, shortest, 3*answer, "half of it, soon after an opening")
	assert.LessOrEqual(t, inTheWay, 1, "one may be, when this machine is busy with other things")
	assert.GreaterOrEqual(t, len(board.readings()), times, "it is read all the same")
}

// A close waits for at most one reading.
func TestSenseDelaysNoClose(t *testing.T) {
	t.Parallel()
	const answer = 60 * time.Millisecond
	board, _, contacts := sensingBoard(t, modbustest.BoardOptions{})
	board.slow(answer)
	ctx, end := senseUntil(t, contacts)
	for range 5 {
		asked := board.Since()
		require.NoError(t, contacts[1].Close(ctx))
		readings, came := board.before(writeCoil(1, false), asked)
		assert.LessOrEqual(t, len(readings), 1)
		assert.GreaterOrEqual(t, came, asked)
	}
	end()
}

// A board that does not answer readings loses its connection once in five seconds, not at each reading.
func TestSenseWithoutAnswer(t *testing.T) {
	t.Parallel()
	board := sensedBoard{modbustest.NewBoard(t, modbustest.BoardOptions{OpenOn: true})}
	b, err := NewBoard(Options{Name: "cabinet", Address: board.Address(), Timeout: 500 * time.Millisecond})
	require.NoError(t, err)
	c, err := b.Contact(ContactOptions{Name: "box-office", Unit: 1, Coil: 0, OpenOn: true, Sense: &Sense{Input: 0}})
	require.NoError(t, err)
	b.Start()
	ctx, cancel := context.WithTimeout(t.Context(), 10*time.Second)
	defer cancel()
	defer b.Shutdown(ctx)
	require.NoError(t, b.Ready(ctx))
	board.Inject(relaytest.Fault{Do: relaytest.Ignore, On: modbustest.Sensing})
	_, err = c.Sense(ctx)
	require.ErrorIs(t, err, relay.ErrNoAnswer)
	require.NoError(t, b.Ready(ctx))
	for range 50 {
		_, err = c.Sense(ctx)
		require.Error(t, err)
	}
	assert.ErrorIs(t, err, errSenseBreak)
	assert.Len(t, board.readings(), 1)
}

// TestSenseLoad measures the requests for 100 idle lines. All lines read at the same multiples of 200 ms, as in
// service.
func TestSenseLoad(t *testing.T) {
	t.Parallel()
	board, _, contacts := sensingBoard(t, modbustest.BoardOptions{})
	began := time.Now()
	var all sync.WaitGroup
	const rounds = 5
	for i := range 100 {
		all.Go(func() {
			for k := range rounds {
				<-time.After(time.Until(began.Add(time.Duration(k+1) * 200 * time.Millisecond)))
				_, err := contacts[i%8].Sense(t.Context())
				assert.NoError(t, err)
			}
		})
	}
	all.Wait()
	n := len(board.readings())
	t.Logf("%d requests in %v for 100 lines", n, time.Since(began).Round(time.Millisecond))
	assert.LessOrEqual(t, n, 2*rounds)
}
