package agent

import "time"

// Feed calls feed at the given interval while every contact's thread runs, until Shutdown. If the calls stop, the
// watchdog acts: a service manager kills the process and closes the contacts, and a hardware watchdog resets the
// machine. Feed returns at once.
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
