// Package bridge runs the lines: one goroutine a line owns its machine, its one timer and its mailbox. It turns what
// happened in the world into events and carries out effects; it decides nothing about the loop.
package bridge

import (
	"time"

	"clearback/supervision"
)

// Calls carries out what the machine wants of a line's calls. The methods must not block; what became of them
// comes back through [Line.Post].
type Calls interface {
	Offer(call supervision.CallID)
	Refuse(call supervision.CallID, code int)
	ClearAdapterLeg(call supervision.CallID)
	ClearFarEnd(call supervision.CallID)
	Probe()
}

// closeEvery is the longest time between two tries to close a contact that is not known closed
// (our own bound: a caller who lifts the handset must not meet a dead line for longer than that).
const closeEvery = 250 * time.Millisecond

// closeTry bounds one try, so that a controller that swallows a command does not end the trying.
const closeTry = time.Second
