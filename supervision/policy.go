package supervision

import "time"

// Policy holds the settings of one line that decide about its loop. [DefaultPolicy] returns the default of each field.
// [Policy.Check] returns a fault for each field or relation that is out of bounds. The zero Policy is out of bounds.
type Policy struct {
	// Interval is the length of an interruption: 250 ms to [Policy.Longest], 800 ms by default.
	Interval time.Duration
	// Lead is the longest wait for the adapter's answer to our BYE: 50 ms to 1.65 s, 600 ms by default.
	Lead time.Duration
	// GuardTime is the quiet time after an interruption: 100 ms to 5 s, 400 ms by default.
	GuardTime time.Duration
	// OnHookRecognition is the time from the opening until the adapter recognises on hook. It is at least the longest
	// interval of the line and at most 10 s; 1.6 s by default.
	OnHookRecognition time.Duration
	// MaxInterval bounds every opening, also an operator's pulse, counted from the command. It is at most 3 s, the
	// default, and at least 200 ms longer than every interval, so that it shortens no opening.
	MaxInterval time.Duration
	// FlashMax is the longest break that the adapter takes for a hook flash, up to 1.55 s. The default, 0, means that
	// its flash detection is off.
	FlashMax time.Duration
	// CallbackWindow is the length of the call-back window after an emergency call: 0 (none) to 24 h, 30 min by
	// default.
	CallbackWindow time.Duration
	// LifeSafety: the loop of this line is never opened.
	LifeSafety bool
	// ProbeTrusted: the answer to ProbeLine has been seen right on hook, held and off hook. See also trust.go.
	ProbeTrusted bool
	// SenseTrusted: Seized and Released come from a loop-current sensor that has been seen right on hook, held and off
	// hook. If ProbeTrusted is also true, the sensor decides.
	SenseTrusted bool
	// Watch is the time between two looks at a line without a call, if the line can be trusted. It is also how long
	// such a line must be off hook to be an incident. 3 s to 1 h, 60 s by default; 0: no looks.
	Watch time.Duration
	// Listening is the grace after an interruption. If a first look finds the line off hook, a second look follows
	// after that time, and only if it finds the line off hook does the hold count as stayed. Somebody who keeps the
	// handset at the ear after the far end has hung up is off hook too. 0 (the first look decides) to 60 s, 10 s by
	// default.
	Listening time.Duration
	// Repeats is how many further interruptions one clearing may cause while the hold stays, 0 (the default) to 2.
	// Repeats end later than invariant 11 allows, so the user must consent in the configuration.
	Repeats int
	// OpeningsPerMinute is how many openings the clearings of a line may cause within a minute: 1 to 60, 6 by default.
	// One more trips the breaker, and no clearing opens the loop for 5 min.
	OpeningsPerMinute int
	// Steps are the intervals of later clearings, one step further after each hold that stayed. They rise, and each is
	// longer than Interval. nil: always Interval.
	Steps []time.Duration
}

// Numbers given from outside, by standards and common practice, and figures of our own for what people do.
const (
	// IntervalFloor is the shortest interruption. Dial pulses break the loop for up to 200 ms (the widest setting of
	// RFC 5098, pktcSigEndPntConfigPulseDialMaxBreakTime), and timed recalls for up to 130 ms. Many adapters do not
	// define what a break between 200 and 300 ms means. 250 ms is also the shortest disconnect that exchanges are known
	// to make (common practice).
	IntervalFloor = 250 * time.Millisecond
	// LeastClosed is the shortest time that a loop stays closed between two openings, even for an operator's pulse. It
	// is our own figure, as long as the shortest opening. A relay driven faster chatters, and a line card or adapter
	// may read the breaks as dialling. The default guard time is longer. A controller of ours (`clearback relay`)
	// refuses an opening that comes sooner.
	LeastClosed = 250 * time.Millisecond
	// IntervalCeiling is the absolute limit of MaxInterval: three times the longest setting of an exchange (1 s, see
	// defaultInterval). Somebody who lifts a handset during an opening finds the line dead.
	IntervalCeiling = 3 * time.Second
	// defaultInterval is the normal setting of "disconnect clear time" in UK digital local exchanges. The setting
	// ranges from 0 to 1,000 ms in steps of 100 ms (British Telecom's note of 1987 on that setting).
	defaultInterval = 800 * time.Millisecond
	// dialWindow bounds every opening that follows our BYE to the adapter (invariant 11). It is our own bound: about as
	// long as a person takes to hang up, lift again and begin to dial. The adapter reports nothing of that until the
	// digits are complete.
	dialWindow = 2 * time.Second
	// flashMargin is the difference between the longest break that is a flash and the shortest one that surely is not.
	// Adapters measure in steps of 10 to 50 ms (common practice), and the contact adds its own bounce.
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
	// defaultGuardTime is the 300 ms that line circuits get to settle after an open loop (common practice), plus 100 ms
	// for the contact and its controller.
	defaultGuardTime = 400 * time.Millisecond
	guardFloor       = 100 * time.Millisecond
	guardCeiling     = 5 * time.Second
	// defaultOnHookRecognition is longer than the widest flash window (flashCeiling), after which every adapter
	// recognises on hook. 1.5 s is the limit on exchange lines with flash features (common practice).
	defaultOnHookRecognition = 1600 * time.Millisecond
	recognitionCeiling       = 10 * time.Second
	// defaultCallbackWindow: emergency centres call back within minutes; 30 min is our own, generous figure.
	defaultCallbackWindow = 30 * time.Minute
	// defaultWatch: our own figure. A line that is off hook for a minute without a call has been forgotten.
	defaultWatch = time.Minute
	// watchFloor keeps the probes of a line well apart; watchCeiling is our own figure for "seldom".
	watchFloor   = 3 * time.Second
	watchCeiling = time.Hour
	// defaultListening: our own figure. People who listen to a dead line hang up within seconds.
	defaultListening = 10 * time.Second
	// listeningCeiling: our own figure. Somebody who listens for longer has forgotten the handset, an incident anyway.
	listeningCeiling = time.Minute
	// repeatsCeiling: our own figure. Each repeat may cut into somebody's dialling, and a hold that outlasts three
	// interruptions needs longer ones, not more of them.
	repeatsCeiling  = 2
	callbackCeiling = 24 * time.Hour
	// defaultOpenings: our own figure. An answer, a hold and a far end that hangs up take people 10 s and more.
	defaultOpenings = 6
	// openingsCeiling: the lead, an opening and its guard time together take a second or more.
	openingsCeiling = 60
	// BreakerPause is how long no clearing opens the loop after the breaker has tripped: our own figure. A storm that
	// always pauses just long enough moves a relay 72 times an hour, and a relay withstands that for years. A line is
	// in service again soon after a storm.
	BreakerPause = 5 * time.Minute
	// trialFloor is the lowest setting of flash and pulse windows in RFC 5098 (20 ms). No adapter detects shorter
	// breaks.
	trialFloor = 20 * time.Millisecond
	// lateMax is the age beyond which a clearing opens nothing (invariant 11). By then somebody who found the line
	// cleared may have hung up and lifted again.
	lateMax = time.Second
)

// Margins and waits of this implementation.
const (
	// closeMargin is how long after its due end the machine waits before it sends CloseLoop, since the controller times
	// the opening: three answers of a slow gateway board of 100 ms each.
	closeMargin = 300 * time.Millisecond
	// contactDelay is the longest delay between the command and the opening: one answer of a slow gateway board.
	contactDelay = 100 * time.Millisecond
	// intervalMargin is how much longer than every interval max_interval must be, for the writing of the command and
	// for the contact: two answers of a slow gateway board of 100 ms each.
	intervalMargin = 200 * time.Millisecond
	// closeWait is how long after CloseLoop LoopClosed may take before the loop counts as faulted: twice the longest
	// time between two attempts of package bridge.
	closeWait = 500 * time.Millisecond
	// probeWait is how long ProbeAnswered may take: T1 of RFC 3261. A local adapter answers within 50 ms.
	probeWait = 500 * time.Millisecond
	// probeTimeout is Timer F of RFC 3261 (64*T1). No answer to an older probe can still arrive.
	probeTimeout = 32 * time.Second
	// legTimeout is the time after which no answer for an adapter's leg can still arrive: the wait after CANCEL (RFC
	// 3261 section 9.1) and Timer F of the BYE that follows it, 64*T1 each, plus a second for package bridge.
	legTimeout = 65 * time.Second
	// pulseWait is how long an operator's pulse may wait for the controller.
	pulseWait = time.Second
	// repeatWait is how long a repeat may wait for the controller. It is short, since somebody may lift a handset
	// meanwhile, and long enough for two answers of a slow gateway board of 100 ms each.
	repeatWait = 250 * time.Millisecond
	// earlyCurrent is how long before the computed end of an opening its current may return. The machine counts the
	// interval from the controller's answer, which a local board sends up to that long after its contact has moved.
	earlyCurrent = 50 * time.Millisecond
)

// DefaultPolicy returns the default settings.
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

// interval returns the interval of a clearing after the given number of holds that stayed. It is a step, limited to the
// longest interval that can still end in time (invariants 4 and 11).
func (p *Policy) interval(stayed int) time.Duration {
	if n := min(stayed, len(p.Steps)); n > 0 {
		return max(p.Interval, min(p.Steps[n-1], p.Longest(), dialWindow-p.Lead))
	}
	return p.Interval
}

// Longest returns the longest interval, also for an operator's pulse.
func (p *Policy) Longest() time.Duration { return min(p.MaxInterval, IntervalCeiling) - intervalMargin }

// writeBy returns the latest time at which the command of an opening may be written that has to end by closeBy. The end
// may cut the opening short by the delay of the contact at most, and never below the shortest interval. (An interval
// that must not be a hook flash is longer by the same margin; see flashMargin.)
func writeBy(closeBy Instant, interval time.Duration) Instant {
	return closeBy.Add(-max(interval, min(interval, IntervalFloor)+contactDelay))
}

// unconfirmed returns the interval to use if the adapter's leg is not confirmed cleared (invariant 3).
func (p *Policy) unconfirmed(interval time.Duration) time.Duration {
	if p.FlashMax > 0 {
		return max(interval, p.FlashMax+flashMargin)
	}
	return interval
}

// longestWait bounds how long a call waits, counted from the start of the disturbance that it waits for.
func (p *Policy) longestWait() time.Duration {
	return p.Lead + probeWait + p.MaxInterval + closeWait + p.GuardTime + p.OnHookRecognition
}
