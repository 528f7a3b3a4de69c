package registration

import "time"

const (
	// firstRetry and lastRetry: the back-off after a failure doubles from 2 s to 60 s. RFC 5626 section 4.5 begins at
	// 30 s and ends at half an hour, for services with many thousand clients; behind us is a telephone line that is
	// dead until we are back, and a minute is what its owner should wait at most.
	firstRetry = 2 * time.Second
	lastRetry  = 60 * time.Second
	// slowRetry follows an answer that only a person can change (wrong password, unknown line): often enough to come
	// back by itself when it was changed, too seldom to be taken for guessing. Our own number.
	slowRetry = 5 * time.Minute
	// maxRetryAfter bounds what a service may ask for, in case it asks for nonsense. Our own number.
	maxRetryAfter = time.Hour
	// lead is how long before its end a registration is refreshed at the latest; a lost datagram or two are repeated
	// within.
	lead = 10 * time.Second
)

// retryAdvice says what follows from an attempt that brought no registration.
type retryAdvice struct {
	// slow: only a person can change it.
	slow bool
	// retryAfter is what the service asked for, 0: nothing.
	retryAfter time.Duration
}

// refreshAfter returns when to refresh a registration of this length: a tenth before its end, but at least 10 s; a
// short one at its half.
func refreshAfter(granted time.Duration) time.Duration {
	return max(granted-max(granted/10, lead), granted/2)
}

// retryAfter returns the pause before the next attempt after the given number of failures in a row (from 1).
// chance, in [0,1), spreads it over the upper half, so that the lines of a house do not all come at once after a power
// cut (RFC 5626 section 4.5). What the service asked for is never undercut.
func retryAfter(failures int, f retryAdvice, chance float64) time.Duration {
	pause := slowRetry
	if !f.slow {
		pause = firstRetry
		for range failures - 1 {
			pause = min(2*pause, lastRetry)
		}
	}
	spread := time.Duration(chance * float64(pause/2))
	if asked := min(f.retryAfter, maxRetryAfter); asked > 0 {
		return max(asked, pause/2) + spread
	}
	return pause/2 + spread
}
