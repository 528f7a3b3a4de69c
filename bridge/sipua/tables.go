package sipua

import (
	"context"
	"sync"

	"github.com/emiago/sipgo/sip"

	"clearback/bridge/sipua/endpoint"
	"clearback/supervision"
)

// dialogKey identifies the leg of a request inside a dialog. The local tag is part of the key because both ends of one
// Call-ID can be on one socket (a call from one line to another through a proxy). The socket is part of it for the same
// reason.
type dialogKey struct {
	ep          *endpoint.Endpoint
	callID, tag string
}

// dialogEntry is a dialog in the tables.
type dialogEntry struct {
	endpoint.Dialog
	leg *leg // nil: the dialog is outside calls
}

// mergedKey identifies requests that reached a line twice by different paths (RFC 3261 section 8.2.2.2). The line is
// part of the key because two lines called by one forked request are two user agents.
type mergedKey struct {
	line            *Line
	callID, fromTag string
	cseq            uint32
}

// tables hold the calls, dialogs and transactions that are up. Safe for concurrent use.
type tables struct {
	mu      sync.Mutex
	calls   map[supervision.CallID]*call
	dialogs map[dialogKey]*dialogEntry
	// invites are the INVITE server transactions without a final response. A CANCEL is matched to them.
	invites map[*sip.Request]*inviteForwarding
	merged  map[mergedKey]bool
	// changed is closed and replaced whenever a call ends.
	changed chan struct{}
}

func (t *tables) init() {
	t.calls = map[supervision.CallID]*call{}
	t.dialogs = map[dialogKey]*dialogEntry{}
	t.invites = map[*sip.Request]*inviteForwarding{}
	t.merged = map[mergedKey]bool{}
	t.changed = make(chan struct{}) // only ever closed
}

func (t *tables) addCall(c *call) {
	t.mu.Lock()
	defer t.mu.Unlock()
	t.calls[c.id] = c
}

func (t *tables) removeCall(c *call) {
	t.mu.Lock()
	defer t.mu.Unlock()
	if t.calls[c.id] == c {
		delete(t.calls, c.id)
		close(t.changed)
		t.changed = make(chan struct{})
	}
}

func (t *tables) call(id supervision.CallID) *call {
	t.mu.Lock()
	defer t.mu.Unlock()
	return t.calls[id]
}

// up returns the calls that have not ended on both sides.
func (t *tables) up() []*call {
	t.mu.Lock()
	defer t.mu.Unlock()
	all := make([]*call, 0, len(t.calls))
	for _, c := range t.calls {
		all = append(all, c)
	}
	return all
}

// callsOf returns how many calls of a line have not ended on both sides.
func (t *tables) callsOf(l *Line) (n int) {
	t.mu.Lock()
	defer t.mu.Unlock()
	for _, c := range t.calls {
		if c.line == l {
			n++
		}
	}
	return n
}

// awaitNone returns when no call is up, or when ctx ends.
func (t *tables) awaitNone(ctx context.Context) {
	t.await(ctx, func() bool { return len(t.calls) == 0 })
}

// await returns when until reports true, or when ctx ends. until is called with mu held, whenever a call has ended.
func (t *tables) await(ctx context.Context, until func() bool) {
	for {
		t.mu.Lock()
		changed, over := t.changed, until()
		t.mu.Unlock()
		if over {
			return
		}
		select {
		case <-changed:
		case <-ctx.Done():
			return
		}
	}
}

func (t *tables) addDialog(l *leg, d *dialog) {
	t.mu.Lock()
	defer t.mu.Unlock()
	k := l.key(d)
	t.dialogs[k] = &dialogEntry{leg: l, Dialog: endpoint.Dialog{Serial: l.c.mailbox, Handle: l.handleRequest}}
	l.keys = append(l.keys, k)
}

func (t *tables) removeDialog(k dialogKey) {
	t.mu.Lock()
	defer t.mu.Unlock()
	delete(t.dialogs, k)
}

// dialog returns the leg whose dialog has the key k, or nil if no call has that dialog.
func (t *tables) dialog(k dialogKey) *leg {
	t.mu.Lock()
	defer t.mu.Unlock()
	if e := t.dialogs[k]; e != nil {
		return e.leg
	}
	return nil
}

// inDialog returns the dialog with the key k, in a call or outside calls, or nil if there is none.
func (t *tables) inDialog(k dialogKey) *endpoint.Dialog {
	t.mu.Lock()
	defer t.mu.Unlock()
	if e := t.dialogs[k]; e != nil {
		return &e.Dialog
	}
	return nil
}

func (t *tables) addInvite(x *inviteForwarding) {
	t.mu.Lock()
	defer t.mu.Unlock()
	t.invites[x.r.Request] = x
}

func (t *tables) removeInvite(x *inviteForwarding) {
	t.mu.Lock()
	defer t.mu.Unlock()
	delete(t.invites, x.r.Request)
}

func (t *tables) invite(r *sip.Request) *inviteForwarding {
	t.mu.Lock()
	defer t.mu.Unlock()
	return t.invites[r]
}

// claim reports whether no other INVITE with this key is up. release frees the key.
func (t *tables) claim(k mergedKey) bool {
	t.mu.Lock()
	defer t.mu.Unlock()
	if t.merged[k] {
		return false
	}
	t.merged[k] = true
	return true
}

func (t *tables) release(k mergedKey) {
	t.mu.Lock()
	defer t.mu.Unlock()
	delete(t.merged, k)
}

// addUsage adds a dialog outside calls. [tables.removeDialog] removes it.
func (t *tables) addUsage(k dialogKey, take func(*endpoint.Request)) {
	t.mu.Lock()
	defer t.mu.Unlock()
	t.dialogs[k] = &dialogEntry{Dialog: endpoint.Dialog{Handle: take}}
}

// workers tracks goroutines. After finish, start does nothing.
type workers struct {
	mu     sync.Mutex
	closed bool
	wg     sync.WaitGroup
}

func (w *workers) start(f func()) {
	w.mu.Lock()
	defer w.mu.Unlock()
	if !w.closed {
		w.wg.Go(f)
	}
}

func (w *workers) finish() {
	w.mu.Lock()
	w.closed = true
	w.mu.Unlock()
	w.wg.Wait()
}
