// Package bridge runs the lines. A line turns what happened outside into events, gives them to its machine and carries
// out the machine's effects. It decides nothing about the loop.
//
// The machine runs in the goroutine that posts an event, one step a post. The line's own goroutine keeps the one timer,
// takes the events that were posted while the machine was in use, and logs and records the steps.
package bridge

import "clearback/supervision"

// Calls carries out the machine's effects on the calls of a line. The methods must not block: a poster of an event runs
// them, while it holds the line. They may call no method of the line but [Line.Post], by which the outcome of each is
// reported as an event. A poster must not hold a lock that they take.
type Calls interface {
	Offer(call supervision.CallID)
	Refuse(call supervision.CallID, code int)
	ClearAdapterLeg(call supervision.CallID)
	ClearFarEnd(call supervision.CallID)
	Probe()
}
