package supervision

import "time"

// Policy holds the settings of one line that decide about its loop. [DefaultPolicy] gives each field its default,
// [Policy.Check] names each field or relation that is out of bounds. The zero Policy is not sound.
type Policy struct {
	// Interval is the length of an interruption: 250 ms to [Policy.Longest], 800 ms by default.
	Interval time.Duration
	// Lead is how long the adapter's answer to our BYE is awaited: 50 ms to 1.65 s, 600 ms by default.
	Lead time.Duration
	// GuardTime is the quiet time after an interruption: 100 ms to 5 s, 400 ms by default.
	GuardTime time.Duration
	// OnHookRecognition is how long after the opening the adapter needs to recognise on hook: no shorter than the
	// longest interval of the line, up to 10 s, 1.6 s by default.
	OnHookRecognition time.Duration
	// MaxInterval bounds every opening, by hand too, counted from the command: up to 3 s, 3 s by default. It is 200 ms
	// longer than every interval at least, so that it cuts none short.
	MaxInterval time.Duration
	// FlashMax is the longest break that the adapter takes for a hook flash; 0, the default: its flash detection
	// is off. Up to 1.55 s.
	FlashMax time.Duration
	// CallbackWindow follows an emergency call: 0 (none) to 24 h, 30 min by default.
	CallbackWindow time.Duration
	// LifeSafety: the loop of this line is never opened.
	LifeSafety bool
	// ProbeTrusted: the line can be trusted to answer ProbeLine (seen on hook, held and off hook).
	ProbeTrusted bool
	// SenseTrusted: Seized and Released come from a loop-current sensor that was seen right on hook, held and off hook.
	// Where both are true, the sensor decides.
	SenseTrusted bool
	// Watch is how often a line without a call is looked at, if it can be trusted, and how long it must be off hook to
	// be an incident: 3 s to 1 h, 60 s by default; 0: never.
	Watch time.Duration
	// Listening is the grace after an interruption: how long after a first look that said off hook the line is looked
	// at again before the hold counts as one that stayed. Who still has the handset at the ear when the far end hangs
	// up is off hook as well. 0 (the first look decides) to 60 s, 10 s by default.
	Listening time.Duration
	// Repeats is how many further interruptions one clearing may make while the hold stays, 0 (the default) to 2. They
	// end later than invariant 11 allows, so the user consents in words.
	Repeats int
	// OpeningsPerMinute is how many openings the clearings of a line may make within a minute: 1 to 60, 6 by default.
	// One more trips the breaker, and no clearing opens the loop for 5 min.
	OpeningsPerMinute int
	// Steps are the intervals of later clearings after holds that stayed, rising, each longer than Interval;
	// nil: Interval always.
	Steps []time.Duration
}

// What the world gives: numbers of standards and of the trade.
const (
	// IntervalFloor is the shortest interruption. Dial pulses break the loop for up to 200 ms (the widest setting
	// of RFC 5098, pktcSigEndPntConfigPulseDialMaxBreakTime) and timed recalls up to 130 ms; what lies between
	// 200 and 300 ms is undefined for many adapters. 250 ms is also the shortest disconnect that exchanges are
	// known to make (common practice).
	IntervalFloor = 250 * time.Millisecond
	// LeastClosed is how long a loop stays closed between two openings at least, whoever asks for them: our own figure,
	// as long as the shortest opening. A relay driven faster rattles, and a line card or adapter may read the breaks as
	// dialling. The default guard time is longer; a controller of ours refuses what comes sooner.
	LeastClosed = 250 * time.Millisecond
	// IntervalCeiling is the absolute limit of MaxInterval, by hand too: three times the longest setting of an
	// exchange (1 s, see defaultInterval); somebody who lifts a handset meanwhile finds the line dead.
	IntervalCeiling = 3 * time.Second
	// defaultInterval is the normal setting of "disconnect clear time" in UK digital local exchanges, which goes
	// from 0 to 1,000 ms in steps of 100 ms (British Telecom's note of 1987 on that setting).
	defaultInterval = 800 * time.Millisecond
	// dialWindow bounds every opening that follows our BYE to the adapter (invariant 11). It is our own bound:
	// hanging up, lifting again and dialling takes a person about that long, and the adapter tells nobody of it
	// until the digits are complete.
	dialWindow = 2 * time.Second
	// flashMargin lies between the longest break that is a flash and the shortest one that surely is not:
	// adapters measure in steps of 10 to 50 ms (common practice), and the contact adds its own bounce.
	flashMargin = 100 * time.Millisecond
	// flashCeiling is the upper end of the flash window of RFC 5098, pktcSigEndPntConfigMaxHookFlash.
	flashCeiling = 1550 * time.Millisecond
	// defaultLead outlasts one lost datagram: the BYE is repeated after T1 = 500 ms (RFC 3261 section 17.1.2.2),
	// and 100 ms are enough for the answer on a local network.
	defaultLead = 600 * time.Millisecond
	// leadFloor leaves a local adapter time to answer at all.
	leadFloor = 50 * time.Millisecond
	// leadCeiling leaves room for the shortest interval and a contact that moves late.
	leadCeiling = dialWindow - IntervalFloor - contactDelay
	// defaultGuardTime is the 300 ms that line circuits are given to settle after an open loop (common
	// practice), and 100 ms for the contact and its controller.
	defaultGuardTime = 400 * time.Millisecond
	guardFloor       = 100 * time.Millisecond
	guardCeiling     = 5 * time.Second
	// defaultOnHookRecognition outlasts the widest flash window there is (flashCeiling), after which every
	// adapter reads on hook; 1.5 s is the limit on exchange lines with flash features (common practice).
	defaultOnHookRecognition = 1600 * time.Millisecond
	recognitionCeiling       = 10 * time.Second
	// defaultCallbackWindow: emergency centres call back within minutes; 30 min is our own, generous figure.
	defaultCallbackWindow = 30 * time.Minute
	// defaultWatch: our own figure; somebody who listens to a dead line for a minute has forgotten it.
	defaultWatch = time.Minute
	// watchFloor keeps the probes of a line well apart; watchCeiling is our own figure for "seldom".
	watchFloor   = 3 * time.Second
	watchCeiling = time.Hour
	// defaultListening: our own figure; who listens to a dead line hangs up within seconds.
	defaultListening = 10 * time.Second
	// listeningCeiling: our own figure; who listens for longer has forgotten the handset, which is an incident anyway.
	listeningCeiling = time.Minute
	// repeatsCeiling: each repeat may cut into somebody's dialling, and a hold that outlasts three interruptions needs
	// longer ones, not more of them.
	repeatsCeiling  = 2
	callbackCeiling = 24 * time.Hour
	// defaultOpenings: our own figure; answering, holding and a far end that hangs up take people 10 s and more.
	defaultOpenings = 6
	// openingsCeiling: an opening, its guard time and the lead before it take a second or more.
	openingsCeiling = 60
	// BreakerPause is for how long no clearing opens the loop after too many: our own figure. Storms that rest just
	// long enough make a relay move 72 times an hour, which it bears for years; and a line is served again soon after
	// one.
	BreakerPause = 5 * time.Minute
	// trialFloor is the lowest setting of flash and pulse windows in RFC 5098 (20 ms): what is shorter no adapter sees.
	trialFloor = 20 * time.Millisecond
	// lateMax is the age beyond which a clearing opens nothing (invariant 11): who was put through to a cleared
	// line may have hung up and lifted since.
	lateMax = time.Second
)

// What this implementation needs.
const (
	// closeMargin is how long after its due end an opening is left to the controller, which times it, before
	// CloseLoop is sent: three answers of a slow gateway board of 100 ms each.
	closeMargin = 300 * time.Millisecond
	// contactDelay is how long after the writing of the command the loop may open: one answer of a slow gateway board.
	contactDelay = 100 * time.Millisecond
	// intervalMargin is by how much max_interval is longer than every interval: for the writing of the command and for
	// the contact, two answers of a slow gateway board of 100 ms each.
	intervalMargin = 200 * time.Millisecond
	// closeWait is how long LoopClosed is awaited after CloseLoop before the loop counts as faulted: twice the
	// longest time between two tries of the shell.
	closeWait = 500 * time.Millisecond
	// probeWait is how long ProbeAnswered is awaited: T1 of RFC 3261; a local adapter answers within 50 ms.
	probeWait = 500 * time.Millisecond
	// probeForgotten is Timer F of RFC 3261 (64*T1): after that no answer can belong to an old probe.
	probeForgotten = 32 * time.Second
	// legForgotten is after what time nothing more is heard of an adapter's leg: the wait after CANCEL (RFC 3261
	// section 9.1) and Timer F of a BYE that follows it, 64*T1 each, and a second for the shell.
	legForgotten = 65 * time.Second
	// pulseWait is how long an opening by hand may wait for the controller.
	pulseWait = time.Second
	// repeatWait is how long a repeat may wait for the controller: short, since somebody may lift meanwhile, and enough
	// for two answers of a slow gateway board of 100 ms each.
	repeatWait = 250 * time.Millisecond
	// earlyCurrent is by how much current may come back before the end of an interval as we count it, from the
	// controller's answer to the opening: so long a local board takes to answer, while its contact has moved already.
	earlyCurrent = 50 * time.Millisecond
)

// DefaultPolicy returns the defaults.
func DefaultPolicy() Policy {
	return Policy{
		Interval:          defaultInterval,
		Lead:              defaultLead,
		GuardTime:         defaultGuardTime,
		OnHookRecognition: defaultOnHookRecognition,
		MaxInterval:       IntervalCeiling,
		CallbackWindow:    defaultCallbackWindow,
		Watch:             defaultWatch,
		Listening:         defaultListening,
		OpeningsPerMinute: defaultOpenings,
	}
}

// interval returns the interval of a clearing after the given number of holds that stayed: a step, or the longest that
// can still end in time (invariants 4 and 11).
func (p *Policy) interval(stayed int) time.Duration {
	if n := min(stayed, len(p.Steps)); n > 0 {
		return max(p.Interval, min(p.Steps[n-1], p.Longest(), dialWindow-p.Lead))
	}
	return p.Interval
}

// Longest returns the longest interval, by hand too.
func (p *Policy) Longest() time.Duration { return min(p.MaxInterval, IntervalCeiling) - intervalMargin }

// writeBy returns until when the command of an opening may be written that is over by closeBy: so that the end cuts it
// short at most by what the contact moves late, and never below the shortest interval. (What is to be no flash is
// longer by as much; see flashMargin.)
func writeBy(closeBy Instant, interval time.Duration) Instant {
	return closeBy.Add(-max(interval, min(interval, IntervalFloor)+contactDelay))
}

// unconfirmed returns the interval where the adapter's leg was not confirmed cleared (invariant 3).
func (p *Policy) unconfirmed(interval time.Duration) time.Duration {
	if p.FlashMax > 0 {
		return max(interval, p.FlashMax+flashMargin)
	}
	return interval
}

// longestWait bounds the time a call waits, from the begin of the disturbance it waits for.
func (p *Policy) longestWait() time.Duration {
	return p.Lead + probeWait + p.MaxInterval + closeWait + p.GuardTime + p.OnHookRecognition
}
