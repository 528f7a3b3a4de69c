// Package bridge runs the lines. Each line has one goroutine, which owns the line's machine, its one timer and its
// mailbox. The goroutine turns what happened outside into events and carries out the machine's effects. It decides
// nothing about the loop.
package bridge

import "clearback/supervision"

// Calls carries out the machine's effects on the calls of a line. The methods must not block. The outcome of each is
// reported as an event through [Line.Post].
type Calls interface {
	Offer(call supervision.CallID)
	Refuse(call supervision.CallID, code int)
	ClearAdapterLeg(call supervision.CallID)
	ClearFarEnd(call supervision.CallID)
	Probe()
}
