package controller

import (
	"context"
	"errors"
	"sync"
)

// Group is several controllers that fail apart, driven as one: for contacts that are reached each by itself, so that
// one which hangs blocks its own line only. The zero value is ready. Add all before Start; the other methods are safe
// for concurrent use.
type Group struct {
	controllers []*Controller
}

// Add makes a controller one of the group. The notices about its link then name its contact, if it has one only.
func (g *Group) Add(c *Controller) {
	c.grouped = true
	g.controllers = append(g.controllers, c)
}

// Start starts all.
func (g *Group) Start() {
	for _, c := range g.controllers {
		c.Start()
	}
}

// Ready is [Controller.Ready] of all; the error names all that are not ready when ctx ends.
func (g *Group) Ready(ctx context.Context) error {
	errs := make([]error, len(g.controllers))
	for i, c := range g.controllers {
		errs[i] = c.Ready(ctx) // they connect side by side, so to wait for one after the other takes no longer
	}
	return errors.Join(errs...)
}

// Shutdown is [Controller.Shutdown] of all at once.
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
