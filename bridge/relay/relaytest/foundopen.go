package relaytest

import (
	"context"
	"fmt"
	"testing"
	"testing/synctest"
	"time"

	"clearback/bridge/relay"
)

// Started is a driver with one idle contact, whose options of time are the defaults, and with its controller on virtual
// time.
type Started struct {
	Ready func(context.Context) error
	// Open opens the contact as nobody asked for.
	Open func()
	// Shutdown ends the driver, without waiting for closes that are not confirmed when ctx ends.
	Shutdown func(ctx context.Context)
}

// FindsOpen requires that a contact that opens by itself is found within 2 s (SAFETY.md S92), whenever that happens.
func FindsOpen(t *testing.T, start func(notify func(relay.Notice)) Started) {
	t.Helper()
	const within, step = 2 * time.Second, 50 * time.Millisecond
	for after := time.Duration(0); after <= within; after += step {
		t.Run(fmt.Sprint("after ", after), func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				found := make(chan struct{}, 1) // a notice must not block
				s := start(func(n relay.Notice) {
					if n.Kind == relay.FoundOpen {
						select {
						case found <- struct{}{}:
						default: // the first one counts
						}
					}
				})
				defer func() {
					ctx, cancel := context.WithCancel(context.Background())
					cancel() // the contact may be stuck
					s.Shutdown(ctx)
					<-time.After(within) // the device ends what it is at
				}()
				ready, cancel := context.WithTimeout(t.Context(), time.Minute)
				defer cancel()
				if err := s.Ready(ready); err != nil {
					t.Fatal(err)
				}
				<-time.After(after)
				s.Open()
				began := time.Now()
				select {
				case <-found:
				case <-time.After(time.Minute):
				}
				if took := time.Since(began); took > within {
					t.Errorf("found open after %v; it ought to take at most %v", took, within)
				}
			})
		})
	}
}
