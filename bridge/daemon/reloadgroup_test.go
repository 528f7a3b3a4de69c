package daemon

import (
	"context"
	"sync/atomic"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"clearback/bridge/daemon/daemontest"
	"clearback/bridge/relay"
	"clearback/bridge/relay/drivers"
	"clearback/bridge/relay/relaytest"
	"clearback/supervision"
)

// SAFETY S126: a contact that moves to another controller is closed through the old one first. If that one does not
// confirm it, the line keeps its contact.
func TestReloadMovesAContact(t *testing.T) {
	t.Parallel()
	b := newReloadBed(t, boxOffice, greenRoom)
	moved := bedLine{name: "box-office", controller: "attic", coil: 3}
	before, beside := b.d.agent.Line("box-office"), b.d.agent.Line("green-room")
	r := b.reload(moved, greenRoom)
	require.NotSame(t, before, b.d.agent.Line("box-office"), "its calls are saved with the contact's new place")
	require.Same(t, beside, b.d.agent.Line("green-room"))
	require.Equal(t, []string{"attic", "cabinet"}, r.Controllers)
	require.Empty(t, r.Waiting)
	require.Equal(t, []bool{false, false, false}, b.boards["cabinet"].Writes(0), "start, change, end of the controller")
	b.pulse("box-office")
	require.Equal(t, []bool{false, true, false}, b.boards["attic"].Writes(3))
	require.Len(t, b.boards["cabinet"].Writes(0), 3)

	b.boards["attic"].Cut()
	b.eventually("offline", func() bool { return b.contact(0).Problem != "" })
	r = b.reload(boxOffice, greenRoom)
	require.Len(t, r.Waiting, 1)
	require.Contains(t, r.Waiting[0].Why, "box-office waits for its controller")
	require.Len(t, b.boards["cabinet"].Writes(0), 3, "the new contact is not touched before the old one is closed")
	require.Equal(t, supervision.StateClosed, b.d.Line("box-office").View().Loop, "nothing was opened: no alarm")
	b.boards["attic"].Restore()
	b.eventually("moved", func() bool { return len(b.waiting()) == 0 })
	require.False(t, b.boards["attic"].Level(3))
	b.eventually("closed", func() bool { return len(b.boards["cabinet"].Writes(0)) == 4 })
}

// callContact is a contact at whose first closing a call begins.
type callContact struct {
	relay.Contact
	l      *Line
	closes *atomic.Int32
}

func (c callContact) Close(ctx context.Context) error {
	if c.closes.Add(1) == 1 {
		c.l.line.Post(supervision.Event{Kind: supervision.CallRequested, Call: 900})
	}
	return c.Contact.Close(ctx)
}

// A call that begins while the contacts are closed makes the change wait. They are not closed again at each attempt.
func TestReloadPausesForACall(t *testing.T) {
	t.Parallel()
	b := newReloadBed(t, boxOffice, workshop)
	l := b.d.Line("box-office")
	r, closes := b.d.reloads, atomic.Int32{}
	l.setParts(func(p *parts) { p.contact = callContact{p.contact, l, &closes} })
	require.Equal(t, callInTheWay, b.reload(workshop).Waiting[0].Why)
	r.mu.Lock()
	for _, p := range r.pauses {
		p.until = time.Now().Add(time.Hour)
	}
	r.mu.Unlock()
	l.line.Post(supervision.Event{Kind: supervision.NearEndCleared, Call: 900})
	b.eventually("the call is over", func() bool { return len(l.View().Calls) == 0 })
	r.mu.Lock()
	r.apply(r.groups(r.loaded.Load()))
	r.mu.Unlock()
	require.EqualValues(t, 1, closes.Load())
	require.Empty(t, b.reload(workshop).Waiting)
	require.Greater(t, closes.Load(), int32(1))
}

// deadlineContact notes how long a close may take.
type deadlineContact struct {
	relay.Contact
	left *atomic.Int64
}

func (c deadlineContact) Close(ctx context.Context) error {
	by, _ := ctx.Deadline()
	c.left.Store(int64(time.Until(by)))
	return nil
}

// A controller has more time for more contacts: they may share a slow bus.
func TestReloadOfASlowBoard(t *testing.T) {
	t.Parallel()
	b := newReloadBed(t, boxOffice, stageDoor)
	r, left, lines := b.d.reloads, atomic.Int64{}, b.d.all()
	for _, l := range lines {
		l.setParts(func(p *parts) { p.contact = deadlineContact{p.contact, &left} })
	}
	r.closeFor = time.Hour
	require.Empty(t, r.closeFirst(t.Context(), &group{controllers: []string{"cabinet"}}, lines))
	require.InDelta(t, 2*time.Hour, left.Load(), float64(time.Minute))
}

// SAFETY S126: a controller that confirms no close is asked again after a pause, which doubles.
func TestReloadPauses(t *testing.T) {
	t.Parallel()
	b := newReloadBed(t, boxOffice)
	b.boards["cabinet"].Inject(relaytest.Fault{Do: relaytest.Refuse, On: relaytest.Closing})
	r := b.reload(workshop)
	require.Contains(t, r.Waiting[0].Why, "the contact of box-office is not known closed")
	g := &group{controllers: []string{"stockroom", "attic"}}
	var pauses []time.Duration
	d := &reloads{closeFor: time.Second, pauses: map[string]*pause{}}
	for range 5 {
		require.Equal(t, "no answer", d.failed(g, "no answer"))
		pauses = append(pauses, d.pauses["attic stockroom"].wait)
	}
	require.Equal(t, []time.Duration{time.Second, 2 * time.Second, 4 * time.Second, 8 * time.Second,
		10 * time.Second}, pauses)
	b.d.reloads.mu.Lock()
	for _, p := range b.d.reloads.pauses {
		p.until = time.Now().Add(time.Hour)
	}
	b.d.reloads.mu.Unlock()
	b.boards["cabinet"].Clear()
	b.eventually("closed", func() bool { return b.d.Line("box-office").View().Loop == supervision.StateClosed })
	require.Empty(t, b.reload(workshop).Waiting, "a reload does not wait for the end of the pause")
}

// SAFETY S126: a contact that is not confirmed closed when its controller ends is named until the restart, and the line
// serves with its new contact once that is confirmed closed.
func TestReloadLeavesAContact(t *testing.T) {
	t.Parallel()
	confirmOne := func(b *reloadBed, board string) {
		b.ready()
		b.boards[board].Inject(relaytest.Fault{Do: relaytest.Delay, On: relaytest.Closing, Once: true})
		b.boards[board].Inject(relaytest.Fault{Do: relaytest.Refuse, On: relaytest.Closing})
	}
	b := newReloadBed(t, boxOffice)
	confirmOne(b, "cabinet")
	r := b.reload(bedLine{name: "box-office", controller: "attic", coil: 3})
	require.Equal(t, "contact", r.Waiting[0].Change)
	require.Contains(t, r.Waiting[0].Why, "cabinet: ")
	require.Equal(t, r.Waiting, b.waiting())
	require.Contains(t, b.d.unready(), "a contact that a reload took from its line is not known closed")
	closed := func() bool { return b.d.Line("box-office").View().Loop == supervision.StateClosed }
	b.eventually("the new contact is closed", closed)
	b.pulse("box-office")
	left := b.d.Shutdown(t.Context())
	require.Len(t, left, 1)
	require.Equal(t, []string{"box-office", "cabinet"}, []string{left[0].Line, left[0].Controller})

	b = newReloadBed(t, boxOffice) // the board gets another line, and the contact stays
	confirmOne(b, "cabinet")
	require.Empty(t, b.reload(boxOffice, stageDoor).Waiting)
	b.eventually("an alarm", func() bool { return !closed() })
	b.boards["cabinet"].Clear()
	b.eventually("closed", closed)
	b.pulse("box-office")
	require.Empty(t, b.d.Shutdown(t.Context()))
}

// A contact that another process drives is not taken from it. The line is served without one, and gets it when it is
// free.
func TestReloadWithoutAController(t *testing.T) {
	t.Parallel()
	b := newReloadBed(t, boxOffice)
	moved := bedLine{name: "box-office", controller: "attic", coil: 3}
	b.write(moved)
	other, err := drivers.Open(daemontest.Load(t, b.path), drivers.Options{})
	require.NoError(t, err)
	r := b.reload(moved)
	require.Len(t, r.Waiting, 1)
	require.Contains(t, r.Waiting[0].Why, "a controller cannot be started: board attic: line box-office: ")
	require.Equal(t, []bool{false, false, false}, b.boards["cabinet"].Writes(0), "it was closed")
	l := b.d.Backend().Daemon().Lines[0]
	require.Contains(t, l.Contact.Problem, "driven by another")
	b.call()
	require.Len(t, b.d.Line("box-office").View().Calls, 1, "calls pass")
	require.Len(t, b.d.unopened(), 1)
	ctx, cancel := context.WithTimeout(t.Context(), 5*time.Second)
	defer cancel()
	require.Error(t, b.d.Line("box-office").Contact().Close(ctx))
	require.NoError(t, ctx.Err(), "a close for which nothing can be done waits for nothing")
	b.hangUp()
	require.Empty(t, other.Shutdown(t.Context()))
	b.eventually("started", func() bool { return len(b.waiting()) == 0 })
	require.Empty(t, b.d.unopened())
	b.eventually("closed", func() bool { return len(b.boards["attic"].Writes(3)) > 2 })
}
