package endpoint

import "sync/atomic"

// Counts says what an endpoint holds now, and what it has discarded since it was opened.
type Counts struct {
	// Servers and Clients count the transactions now; UnknownServers counts those of unknown sources among Servers.
	Servers, Clients, UnknownServers int
	// Queues is the number of Call-IDs that have something to run now.
	Queues int
	// Cancels is the number of CANCELs that now wait for their INVITE.
	Cancels int
	// Connections is the number of TCP connections now.
	Connections int
	// Known is the number of addresses in the table of known addresses.
	Known int

	// NoSIP counts datagrams that are not SIP.
	NoSIP uint64
	// Refused counts messages and connections of sources that [Options.Accept] refuses.
	Refused uint64
	// Limited counts messages and connections of unknown sources beyond their rate.
	Limited uint64
	// Malformed counts messages that cannot be parsed or lack a mandatory header field.
	Malformed uint64
	// Oversized counts messages that are too large, or have a part that is too large.
	Oversized uint64
	// Unmatched counts responses that match no request of ours.
	Unmatched uint64
	// Strays counts requests that belong to no dialog, CANCELs that match no INVITE, and INVITEs that were read only
	// after their sender had given up. They leave no state.
	Strays uint64
	// Overloaded counts messages that were discarded because there were too many transactions or too many messages in a
	// queue.
	Overloaded uint64
	// CancelsRefused counts CANCELs that could not wait for their INVITE because too many already waited.
	CancelsRefused uint64
	// ConnectionsRefused counts TCP connections that were refused for lack of room. ConnectionsEnded counts those that
	// were closed to make room for others.
	ConnectionsRefused, ConnectionsEnded uint64
	// Slow counts TCP connections that were closed in the middle of a message. Idle counts those that were closed
	// because they were silent.
	Slow, Idle uint64
}

// counters are the fields of Counts that only grow.
type counters struct {
	noSIP, refused, limited, malformed, oversized, unmatched, strays, overloaded, cancels, conns, ended, slow,
	idle atomic.Uint64
}

// Counts returns the current counts. Safe for concurrent use.
func (e *Endpoint) Counts() Counts {
	n := &e.n
	c := Counts{
		NoSIP: n.noSIP.Load(), Refused: n.refused.Load(), Limited: n.limited.Load(), Malformed: n.malformed.Load(),
		Oversized: n.oversized.Load(), Unmatched: n.unmatched.Load(), Strays: n.strays.Load(),
		Overloaded: n.overloaded.Load(), CancelsRefused: n.cancels.Load(),
		ConnectionsRefused: n.conns.Load(), ConnectionsEnded: n.ended.Load(), Slow: n.slow.Load(), Idle: n.idle.Load(),
	}
	e.t.mu.Lock()
	c.Servers, c.Clients, c.UnknownServers, c.Cancels = e.t.servers.len(), e.t.clients.len(), e.t.unknown,
		e.t.waitingCancels.n
	e.t.mu.Unlock()
	c.Queues, c.Connections, c.Known = e.queues.size(), e.streams.size(), e.sourceLimiter.size()
	return c
}

// Plus returns the sum of the counts of two endpoints.
func (c Counts) Plus(o Counts) Counts {
	c.Servers, c.Clients, c.UnknownServers = c.Servers+o.Servers, c.Clients+o.Clients, c.UnknownServers+o.UnknownServers
	c.Queues, c.Cancels, c.Connections, c.Known = c.Queues+o.Queues, c.Cancels+o.Cancels, c.Connections+o.Connections,
		c.Known+o.Known
	c.NoSIP, c.Refused, c.Limited = c.NoSIP+o.NoSIP, c.Refused+o.Refused, c.Limited+o.Limited
	c.Malformed, c.Oversized, c.Unmatched = c.Malformed+o.Malformed, c.Oversized+o.Oversized, c.Unmatched+o.Unmatched
	c.Strays, c.Overloaded, c.CancelsRefused = c.Strays+o.Strays, c.Overloaded+o.Overloaded,
		c.CancelsRefused+o.CancelsRefused
	c.ConnectionsRefused, c.ConnectionsEnded = c.ConnectionsRefused+o.ConnectionsRefused,
		c.ConnectionsEnded+o.ConnectionsEnded
	c.Slow, c.Idle = c.Slow+o.Slow, c.Idle+o.Idle
	return c
}

// Dropped returns how many messages and connections were discarded before they reached a transaction: the sum of NoSIP,
// Refused, Limited, Malformed and Oversized of [Counts].
func (e *Endpoint) Dropped() uint64 {
	n := &e.n
	return n.noSIP.Load() + n.refused.Load() + n.limited.Load() + n.malformed.Load() + n.oversized.Load()
}
