package agent

import (
	"fmt"
	"sync"
	"time"
)

// mailbox is what a contact's thread is to do. While the thread hangs nothing is added, so it holds at most one job for
// each caller.
type mailbox struct {
	mu   sync.Mutex
	jobs []*job
	end  bool
}

// job is one call on the thread.
type job struct {
	do   func(gone func() bool) error
	keep bool       // to be done even if its caller has gone: a close
	done chan error // buffer 1: the thread never waits for a caller

	mu   sync.Mutex
	gone bool
}

func (j *job) left() bool {
	j.mu.Lock()
	defer j.mu.Unlock()
	return j.gone
}

func (j *job) leave() {
	j.mu.Lock()
	defer j.mu.Unlock()
	j.gone = true
}

func (b *mailbox) put(j *job) bool {
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.end {
		return false
	}
	b.jobs = append(b.jobs, j)
	return true
}

func (b *mailbox) take() *job {
	b.mu.Lock()
	defer b.mu.Unlock()
	if len(b.jobs) == 0 {
		return nil
	}
	j := b.jobs[0]
	b.jobs = b.jobs[1:]
	return j
}

// finish refuses everything from now on, and what is left.
func (b *mailbox) finish() {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.end = true
	for _, j := range b.jobs {
		j.done <- ErrStopping
	}
	b.jobs = nil
}

// call has the thread do something, and waits for it at most answerWithin. A caller who has gone by then is told by
// gone.
func (c *Contact) call(keep bool, do func(gone func() bool) error) error {
	if c.hung.Load() {
		if keep {
			c.shut.Store(true)
			c.wait.wake() // the thread may have come back, and looked at shut, just before
		}
		return fmt.Errorf("contact %s: %w", c.opt.Name, ErrHung)
	}
	j := &job{do: do, keep: keep, done: make(chan error, 1)}
	if !c.queue.put(j) {
		return ErrStopping
	}
	c.wait.wake()
	t := time.NewTimer(answerWithin)
	defer t.Stop()
	select {
	case err := <-j.done:
		return err
	case <-t.C:
		j.leave()
		c.hung.Store(true)
		c.wait.wake() // a thread that came back meanwhile finds itself well
		return fmt.Errorf("contact %s: %w within %v", c.opt.Name, ErrHung, answerWithin)
	}
}

// serve does what is in the mailbox.
func (c *Contact) serve() {
	for j := c.queue.take(); j != nil; j = c.queue.take() {
		if j.keep || !j.left() {
			j.done <- j.do(j.left)
		}
		c.alive()
		c.expire(time.Now()) // masters that keep asking hold up no end
		if c.over.Load() {
			break // the rest is refused
		}
	}
	c.hung.Store(false)
	if c.shut.Swap(false) {
		_ = c.close(OutcomeClosed) // nobody waits; what fails is in the state
	}
}
