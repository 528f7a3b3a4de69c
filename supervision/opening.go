package supervision

import "time"

// opening is one interruption, from the OpenLoop effect on.
type opening struct {
	seq      Seq
	call     CallID // its far end cleared; 0: an operator's pulse
	trial    bool
	interval time.Duration
	repeats  int     // how many openings the same clearing has had before
	closeBy  Instant // the opening ends by then (invariants 4 and 11)
	openedAt Instant // when LoopOpened arrived; Never: it has not
	before   Instant // recognisedAt before this opening, to restore if the opening is not made
	stage    stage
	followUp followUp
	doubt    doubt
	contact  contactSeen
	flash    bool // the adapter reported a hook flash
	stale    bool // the intervals of the policy have changed since
}

// stage is how far an opening has come. It is separate from the state of the loop, which can be faulted at any stage.
type stage uint8

const (
	stageCommanded stage = iota // OpenLoop was handed out
	stageClosing                // CloseLoop was handed out as well
	stageSettled                // its outcome is known
	stageJudged                 // its effect on the hold is being checked or was reported
)

// followUp is what may still follow from an opening's effect on the hold.
type followUp uint8

const (
	followUpRepeat followUp = iota // a report, and a repeat if the hold stayed
	followUpReport                 // only a report: a later call or seizure may explain what a look finds
	followUpNone                   // nothing: the opening was cut short or not made, or its effect is reported
)

// doubt is why an opening may not have done what it should have.
type doubt uint8

const (
	doubtNone   doubt = iota
	doubtLeg          // the adapter did not confirm that its leg is cleared
	doubtLength       // the loop was faulted, so the time it was open is unknown
)

// contactSeen is what the loop-current sensor has shown of the contact.
type contactSeen uint8

const (
	contactUnseen  contactSeen = iota // nothing, since no current was known to flow when the opening was commanded
	contactUnmoved                    // a trusted sensor had reported current, and no report says that it stopped
	contactMoved                      // since then a sensor has reported that the current stopped
)

// opened reports whether the controller confirmed the opening.
func (o *opening) opened() bool { return o.openedAt != Never }

// toVerify reports whether the opening's success is still to be checked and reported.
func (o *opening) toVerify() bool { return o.stage < stageJudged && o.followUp != followUpNone }

// makeUnclear prevents a repeat.
func (o *opening) makeUnclear() { o.followUp = max(o.followUp, followUpReport) }
