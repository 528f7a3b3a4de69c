package sipua

import "time"

// times are the durations of the user agent. Those of the transactions below it belong to the endpoint.
type times struct {
	// t1 and t2 space the repeats of a 200 until its ACK (RFC 3261 section 13.3.1.4).
	t1, t2 time.Duration
	// final is 64*T1: how long an ACK, the end of a cancelled INVITE and late requests of an ended call are awaited.
	final time.Duration
	// ringing is Timer C: more than 3 minutes (RFC 3261 section 16.6); each provisional response starts it anew.
	ringing time.Duration
	// silence is how long the service may say nothing at all to an INVITE, not even 100: after four datagrams (at 0,
	// 0.5, 1.5 and 3.5 s) it is taken for down, so that the adapter can turn to its second server. Our own number.
	silence time.Duration
	// silenceAfterLoss is the same for the next calls: it comes through at once if the service is back, else the
	// adapter goes elsewhere after two datagrams (at 0 and 0.5 s). Our own number.
	silenceAfterLoss time.Duration
	// emergencySilence is the same for an emergency call where the line has another service: three datagrams (at 0, 0.5
	// and 1.5 s). Our own number.
	emergencySilence time.Duration
	// recoveryProbe is how often a lost service is asked whether it is back, where the line has another one. Our own
	// number.
	recoveryProbe time.Duration
	// look is how often a line is looked at while its adapter is to be told of messages and the line is not at rest.
	// Our own number.
	look time.Duration
	// resubscribe is the first pause after a subscription at the service failed; it doubles. Our own number.
	resubscribe time.Duration
	// probe is how long the adapter may take to answer OPTIONS: three datagrams (at 0, 0.5 and 1.5 s). Our own number.
	probe time.Duration
	// retryAfter goes into 503: when to ask again. Our own number.
	retryAfter time.Duration
	// clearPerLine is how long ClearOrdinary spends on the calls of one line, one after another: three datagrams to the
	// adapter (at 0, 0.5 and 1.5 s). Our own number.
	clearPerLine time.Duration
	// second is that of session timers (RFC 4028) and of waiting after a 491 (RFC 3261 section 14.1).
	second time.Duration
	// firstLivenessCheck is when the service is asked about an answered call for the first time: as soon as the call
	// has settled. Our own number.
	firstLivenessCheck time.Duration
	// livenessEvery is how often the service is asked about a call of whose far end no media comes, and askSeldom how
	// often where it does, which is while media came within fresh. Two questions of 64*T1 each after ask keep a far end
	// that vanished from holding the line for more than 200 s. Our own numbers.
	livenessEvery, livenessEveryWithMedia, fresh time.Duration
	// mediaSilence is after what silence of the far end, which nobody signalled, the service is asked at once: RTCP
	// comes every 5 s or so (RFC 3550 section 6.2), each with an error of half of that. Our own number.
	mediaSilence time.Duration
	// silenceReport is after what silence of the far end that is reported. Our own number.
	silenceReport time.Duration
	// recoveryDelay is how long after a service came back its calls are asked about. Our own number: a service that
	// restarts answers before it has all its parts.
	recoveryDelay time.Duration
	// emergencyLiveness is how often the ends of an emergency call are asked whether they are there, and how long
	// neither may answer, from one look to another. Our own number: longer than a restart of an adapter or of a network
	// takes.
	emergencyLiveness time.Duration
	// sound is how long an answered emergency call may be without sound before whoever sends some is heard. Our own
	// number.
	sound time.Duration
	// closeTimeout is how long Close waits for the answers to its BYEs. Our own number.
	closeTimeout time.Duration
}

func defaultTimes() times {
	const t1 = 500 * time.Millisecond
	return times{
		t1: t1, t2: 4 * time.Second, final: 64 * t1,
		ringing: 3*time.Minute + 10*time.Second,
		silence: 4 * time.Second, silenceAfterLoss: 700 * time.Millisecond, emergencySilence: 2 * time.Second,
		recoveryProbe: 10 * time.Second, probe: 2 * time.Second,
		retryAfter: 10 * time.Second, clearPerLine: 2 * time.Second, second: time.Second, closeTimeout: time.Second,
		emergencyLiveness: 5 * time.Minute, firstLivenessCheck: 10 * time.Second, livenessEvery: 2 * time.Minute,
		livenessEveryWithMedia: 15 * time.Minute,
		fresh:                  10 * time.Second, mediaSilence: 25 * time.Second, silenceReport: 5 * time.Minute,
		recoveryDelay: 30 * time.Second, sound: 2 * time.Second,
		look: 5 * time.Second, resubscribe: 30 * time.Second,
	}
}
