package agent

import "time"

// Feed calls feed every so often, for as long as every contact's thread runs, until the agent's Shutdown. Whoever waits
// for feed takes the loops into his own hands otherwise: a service manager kills the process and closes the contacts, a
// hardware watchdog resets the machine. Feed returns at once.
func (a *Agent) Feed(every time.Duration, feed func()) {
	a.running.Go(func() {
		a.Guard(func() { a.feed(every, feed) })
	})
}

func (a *Agent) feed(every time.Duration, feed func()) {
	t := time.NewTicker(every)
	defer t.Stop()
	last, told := time.Now(), false
	for {
		select {
		case <-a.end:
			return
		case <-t.C:
		}
		since := last
		last = time.Now()
		if a.Alive(since) {
			told = false
			feed()
			continue
		}
		if !told {
			a.opt.Notify(Notice{Kind: WatchdogNotFed, Err: ErrHung})
		}
		told = true
	}
}
