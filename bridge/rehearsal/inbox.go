package rehearsal

import (
	"sync"
	"time"
)

// inbox runs functions one after another in its own goroutine. These functions own the state of a peer.
type inbox struct {
	mu     sync.Mutex
	queue  []func()
	closed bool
	wake   chan struct{} // buffer 1: one token means that the queue is not empty
	done   chan struct{}
}

func newInbox() *inbox {
	b := &inbox{wake: make(chan struct{}, 1), done: make(chan struct{})}
	go b.run()
	return b
}

// post queues f. It never blocks. After close it does nothing.
func (b *inbox) post(f func()) {
	b.mu.Lock()
	if !b.closed {
		b.queue = append(b.queue, f)
	}
	b.mu.Unlock()
	b.kick()
}

func (b *inbox) kick() {
	select {
	case b.wake <- struct{}{}:
	default: // there is already a token
	}
}

// after posts f when d has passed.
func (b *inbox) after(d time.Duration, f func()) *time.Timer {
	return time.AfterFunc(d, func() { b.post(f) })
}

// ask runs f in the inbox and waits until f has returned. After close, f does not run.
func (b *inbox) ask(f func()) {
	ran := make(chan struct{})
	b.post(func() {
		defer close(ran)
		f()
	})
	select {
	case <-ran:
	case <-b.done:
	}
}

// close runs what is queued, and waits.
func (b *inbox) close() {
	b.mu.Lock()
	b.closed = true
	b.mu.Unlock()
	b.kick()
	<-b.done
}

func (b *inbox) run() {
	defer close(b.done)
	for range b.wake {
		for {
			b.mu.Lock()
			queue, closed := b.queue, b.closed
			b.queue = nil
			b.mu.Unlock()
			for _, f := range queue {
				f()
			}
			if len(queue) > 0 {
				continue
			}
			if closed {
				return
			}
			break
		}
	}
}
