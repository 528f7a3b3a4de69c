package agent

import (
	"fmt"
	"sync"
	"time"
)

// mailbox holds the jobs of a contact's thread. While the thread hangs no job is added, so the mailbox holds at most
// one job for each caller.
type mailbox struct {
	mu   sync.Mutex
	jobs []*job
	end  bool
}

// job is one call on the thread.
type job struct {
	do   func(gone func() bool) error
	keep bool       // run even if the caller has gone: a close
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

// finish refuses the jobs that are left and all later ones.
func (b *mailbox) finish() {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.end = true
	for _, j := range b.jobs {
		j.done <- ErrStopping
	}
	b.jobs = nil
}

// call runs do on the thread, and waits at most answerWithin for it. If the caller has given up by then, gone returns
// true.
func (c *Contact) call(keep bool, do func(gone func() bool) error) error {
	if c.hung.Load() {
		if keep {
			c.closeWanted.Store(true)
			c.wait.wake() // the thread may have checked shut just before
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
		c.wait.wake() // a thread that has just answered clears hung again
		return fmt.Errorf("contact %s: %w within %v", c.opt.Name, ErrHung, answerWithin)
	}
}

// serve runs the jobs in the mailbox.
func (c *Contact) serve() {
	for j := c.queue.take(); j != nil; j = c.queue.take() {
		if j.keep || !j.left() {
			j.done <- j.do(j.left)
		}
		c.alive()
		c.expire(time.Now()) // a steady stream of requests must not delay the end of an opening
		if c.stopping.Load() {
			break // finish refuses the rest
		}
	}
	c.hung.Store(false)
	if c.closeWanted.Swap(false) {
		_ = c.close(OutcomeClosed) // no caller waits; a failure is recorded in the state
	}
}
