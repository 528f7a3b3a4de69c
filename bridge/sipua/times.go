package sipua

import "time"

// times are the durations of the user agent. Transaction timers are in package endpoint.
type times struct {
	// t1 and t2 space the retransmissions of a 200 until its ACK (RFC 3261 section 13.3.1.4).
	t1, t2 time.Duration
	// final is 64*T1: how long we wait for an ACK, for the end of a cancelled INVITE and for late requests of an ended
	// call.
	final time.Duration
	// ringing is Timer C: more than 3 minutes (RFC 3261 section 16.6). Each provisional response restarts it.
	ringing time.Duration
	// silence is how long the service may leave an INVITE without any response, even 100. After four datagrams (at 0,
	// 0.5, 1.5 and 3.5 s) the service counts as down, so that the adapter can turn to its second server. Our own
	// number.
	silence time.Duration
	// silenceAfterLoss replaces silence while the service is expected to be down. If the service is back, the call
	// still passes at once. Otherwise the adapter turns to its second server after two datagrams (at 0 and 0.5 s). Our
	// own number.
	silenceAfterLoss time.Duration
	// emergencySilence replaces silence for an emergency call where the line has another service: three datagrams (at
	// 0, 0.5 and 1.5 s). Our own number.
	emergencySilence time.Duration
	// recoveryProbe is how often a lost service is asked whether it is back, where the line has another service. Our
	// own number.
	recoveryProbe time.Duration
	// keepAlive is how often a service at which a line is registered gets OPTIONS; 0 means never. Our own number: a
	// restart is noticed within half a minute.
	keepAlive time.Duration
	// regEvents is when a service is first asked for the state of a registration: up to twice as long after the start.
	// 0 means never. Our own number: the line's calls and registrations come first.
	regEvents time.Duration
	// lastingConnection is how long a TCP connection to a service must have lasted for its end to mean anything. A
	// service that closes each idle connection would otherwise cause a REGISTER whenever it does. Our own number: three
	// times keepAlive, whose OPTIONS keep a connection from being idle.
	lastingConnection time.Duration
	// atRestPoll is how often a line is checked while a notification of messages for its adapter waits until the line
	// is at rest. Our own number.
	atRestPoll time.Duration
	// resubscribe is the first pause after a failed subscription at the service; each failure doubles it. Our own
	// number.
	resubscribe time.Duration
	// probe is how long the adapter may take to answer OPTIONS: three datagrams (at 0, 0.5 and 1.5 s). Our own number.
	probe time.Duration
	// retryAfter is the Retry-After of a 503. Our own number.
	retryAfter time.Duration
	// clearPerLine is how long ClearOrdinary spends on the calls of one line, one after another: three datagrams to the
	// adapter (at 0, 0.5 and 1.5 s). Our own number.
	clearPerLine time.Duration
	// second is the unit of session timers (RFC 4028) and of the wait after a 491 (RFC 3261 section 14.1).
	second time.Duration
	// firstLivenessCheck is how long after the answer a call is first checked at the service: the call has settled by
	// then. Our own number.
	firstLivenessCheck time.Duration
	// livenessEvery is how often a call is checked at the service while no media of its far end arrives.
	// livenessEveryWithMedia is how often it is checked while media arrives, which means within the last fresh.
	// livenessEvery and two requests of 64*T1 each are less than 200 s: no vanished far end holds the line longer. Our
	// own numbers.
	livenessEvery, livenessEveryWithMedia, fresh time.Duration
	// mediaSilence is the unexplained silence of the far end after which the service is asked at once. RTCP comes about
	// every 5 s (RFC 3550 section 6.2), with an error of half of that each time. Our own number.
	mediaSilence time.Duration
	// silenceReport is how long the far end has to be silent before that is reported. Our own number.
	silenceReport time.Duration
	// recoveryDelay is how long after a service's return its calls are checked. Our own number: a service that restarts
	// may answer before all of its parts run.
	recoveryDelay time.Duration
	// emergencyLiveness is how often both ends of an emergency call are checked, and how far apart two checks without
	// an answer from either end must be to end the call. Our own number: longer than the restart of an adapter or of a
	// network.
	emergencyLiveness time.Duration
	// sound is how long an answered emergency call may be without sound before sound from an unknown host is accepted.
	// Our own number.
	sound time.Duration
	// closeTimeout is how long Close waits for the answers to its BYEs. Our own number.
	closeTimeout time.Duration
	// leave is how long Leave waits for ordinary calls to be answered or to end. Our own number: most telephones that
	// are answered at all are answered by then, and the service manager waits 45 s.
	leave time.Duration
}

func defaultTimes() times {
	const t1 = 500 * time.Millisecond
	return times{
		t1: t1, t2: 4 * time.Second, final: 64 * t1,
		ringing: 3*time.Minute + 10*time.Second,
		silence: 4 * time.Second, silenceAfterLoss: 700 * time.Millisecond, emergencySilence: 2 * time.Second,
		recoveryProbe: 10 * time.Second, probe: 2 * time.Second,
		retryAfter: 10 * time.Second, clearPerLine: 2 * time.Second, second: time.Second, closeTimeout: time.Second,
		leave:             20 * time.Second,
		emergencyLiveness: 5 * time.Minute, firstLivenessCheck: 10 * time.Second, livenessEvery: 2 * time.Minute,
		livenessEveryWithMedia: 15 * time.Minute,
		fresh:                  10 * time.Second, mediaSilence: 25 * time.Second, silenceReport: 5 * time.Minute,
		recoveryDelay: 30 * time.Second, sound: 2 * time.Second,
		keepAlive: 20 * time.Second, regEvents: 15 * time.Second,
		lastingConnection: time.Minute, atRestPoll: 5 * time.Second, resubscribe: 30 * time.Second,
	}
}
