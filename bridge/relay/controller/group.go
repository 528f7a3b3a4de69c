package controller

import (
	"context"
	"errors"
	"sync"
)

// Group is a set of controllers that fail independently but are started and shut down together. It serves contacts that
// are each reached separately, so that a contact that hangs blocks only its own line. The zero value is ready to use.
// Add all controllers before Start. The other methods are safe for concurrent use.
type Group struct {
	controllers []*Controller
}

// Add adds a controller to the group. If that controller has only one contact, the notices about its link name the
// contact.
func (g *Group) Add(c *Controller) {
	c.grouped = true
	g.controllers = append(g.controllers, c)
}

// Start starts all controllers.
func (g *Group) Start() {
	for _, c := range g.controllers {
		c.Start()
	}
}

// Ready waits until every controller is ready, as [Controller.Ready] does. The error names each controller that is not
// ready when ctx ends.
func (g *Group) Ready(ctx context.Context) error {
	errs := make([]error, len(g.controllers))
	for i, c := range g.controllers {
		errs[i] = c.Ready(ctx) // all connect at the same time, so waiting for one after the other takes no longer
	}
	return errors.Join(errs...)
}

// Shutdown shuts down all controllers at the same time, as [Controller.Shutdown] does.
func (g *Group) Shutdown(ctx context.Context) []NotClosed {
	parts := make([][]NotClosed, len(g.controllers))
	var wg sync.WaitGroup
	for i, c := range g.controllers {
		wg.Go(func() { parts[i] = c.Shutdown(ctx) })
	}
	wg.Wait()
	var all []NotClosed
	for _, p := range parts {
		all = append(all, p...)
	}
	return all
}
