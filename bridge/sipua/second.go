package sipua

// This file is how a second service takes over when the first is lost, and gives back.

// choose returns the accounts that a call may be passed to, in the order in which they are tried. For an ordinary call none may be
// left; for an emergency call all are there.
func (l *Line) choose(emergency bool) []*account {
	var up, doubtful, last []*account
	for _, s := range l.accounts {
		switch {
		case !s.registered():
			last = append(last, s)
		case s.lost():
			doubtful = append(doubtful, s)
		default:
			up = append(up, s)
		}
	}
	up = append(up, doubtful...)
	if emergency {
		up = append(up, last...)
	}
	return up
}

// retry ends the pauses of the registrations.
func (l *Line) retry() {
	for _, s := range l.accounts {
		if s.client != nil {
			s.client.Retry()
		}
	}
}
