package registration

import "time"

const (
	// firstRetry and lastRetry bound the back-off, which doubles after each failure from 2 s to 60 s. RFC 5626 section
	// 4.5 starts at 30 s and ends at half an hour, for services with many thousands of clients. Our client serves a
	// telephone line that is dead until it registers, and its owner should not wait longer than a minute.
	firstRetry = 2 * time.Second
	lastRetry  = 60 * time.Second
	// slowRetry is the pause after a response that only a person can change (wrong password, unknown line). It is short
	// enough to recover soon after the change, and too long to look like password guessing. Our own number.
	slowRetry = 5 * time.Minute
	// maxRetryAfter bounds the Retry-After that we obey, in case a service asks for nonsense. Our own number.
	maxRetryAfter = time.Hour
	// lead is the latest time before its end at which a registration is refreshed. It leaves time to retransmit a lost
	// datagram or two.
	lead = 10 * time.Second
)

// retryAdvice says how to retry after a failed attempt.
type retryAdvice struct {
	// slow means that only a person can mend the failure.
	slow bool
	// retryAfter is the pause that the service asked for; 0 means none.
	retryAfter time.Duration
}

// refreshAfter returns when to refresh a registration that was granted for the given time: a tenth of it before its
// end, but at least 10 s before, and for a short one at half of its time.
func refreshAfter(granted time.Duration) time.Duration {
	return max(granted-max(granted/10, lead), granted/2)
}

// retryAfter returns the pause before the next attempt, after the given number of consecutive failures (at least 1).
// chance, in [0,1), spreads the pause over its upper half, so that the lines of a site do not all register at once
// after a power cut (RFC 5626 section 4.5). The pause is never shorter than what the service asked for.
func retryAfter(failures int, f retryAdvice, chance float64) time.Duration {
	pause := slowRetry
	if !f.slow {
		pause = firstRetry
		for range failures - 1 {
			pause = min(2*pause, lastRetry)
		}
	}
	spread := time.Duration(chance * float64(pause/2))
	return max(min(f.retryAfter, maxRetryAfter), pause/2) + spread
}
