package endpoint

import "sync/atomic"

// Counts is what an endpoint holds, and what it threw away since it was opened.
type Counts struct {
	// Servers and Clients are the transactions now, StrangeServers those of strangers among the former.
	Servers, Clients, UnknownServers int
	// Queues is the number of Call-IDs with something to run now.
	Queues int
	// Cancels is the number of CANCELs that wait for their INVITE now.
	Cancels int
	// Connections is the number of TCP connections now.
	Connections int
	// Known is the number of addresses made known and not forgotten.
	Known int

	// NoSIP counts datagrams that are no SIP at all.
	NoSIP uint64
	// Refused counts messages and connections of sources that [Options.Accept] refuses.
	Refused uint64
	// Limited counts strangers' messages and connections beyond their rate.
	Limited uint64
	// Malformed counts messages that cannot be read, or lack what every message needs.
	Malformed uint64
	// Oversized counts messages too large, in whole or in a part.
	Oversized uint64
	// Unmatched counts responses that answer nothing of ours.
	Unmatched uint64
	// Strays counts requests that belong to no dialog and CANCELs that are for no INVITE; nothing is kept of them.
	Strays uint64
	// Overloaded counts messages for which there was no room: too many transactions or too much waiting.
	Overloaded uint64
	// CancelsRefused counts CANCELs that could not wait for their INVITE.
	CancelsRefused uint64
	// ConnectionsRefused counts TCP connections for which there was no room, ConnectionsEnded those that made room for
	// others.
	ConnectionsRefused, ConnectionsEnded uint64
	// Slow counts TCP connections cut off in the middle of a message, Idle those closed for silence.
	Slow, Idle uint64
}

// counters is the part of Counts that only grows.
type counters struct {
	noSIP, refused, limited, malformed, oversized, unmatched, strays, overloaded, cancels, conns, ended, slow,
	idle atomic.Uint64
}

// Counts returns what is held and what was thrown away. Safe for concurrent use.
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

// Plus is the sum of what two endpoints count.
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

// Dropped counts what was thrown away unparsed: [Counts].NoSIP, Refused, Limited, and what could not be parsed or was
// too large.
func (e *Endpoint) Dropped() uint64 {
	n := &e.n
	return n.noSIP.Load() + n.refused.Load() + n.limited.Load() + n.malformed.Load() + n.oversized.Load()
}
