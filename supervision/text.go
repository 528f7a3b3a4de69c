package supervision

import (
	"errors"
	"fmt"
	"strconv"
	"strings"
	"time"
)

// The text form is one line: the kind first, then key=value for each field that is not zero, in a fixed order. A few
// fields are always shown, since their zero has a meaning.
//
//	far-end-cleared call=3 evidence=bye
//	open-loop call=3 seq=1 interval=800ms not-after=+1.2s
//	report suppressed call=3 rule=unanswered
//
// Durations are exact: whole milliseconds below a second, otherwise decimal seconds of up to nine places. An instant is
// the time since the start of the time line, with a plus sign, or "never". Scripts, journal, log and status page share
// this form. A value without a name is written as a number.

// ErrText is wrapped by every error of [ParseEvent] and [ParseEffect].
var ErrText = errors.New("supervision: not the text of an event or effect")

// valueForm is how the value of a field is written.
type valueForm uint8

const (
	formNumber   valueForm = iota // the key alone
	formFlag                      // the bare key
	formWord                      // one of the field's words
	formBare                      // one of the field's words, without the key
	formDuration                  // 800ms, 1.25s
	formInstant                   // +1.2s, never
)

// field is one row of the tables below. Writing and parsing both use it.
type field struct {
	key    string
	form   valueForm
	bits   int // size of a number or word, which bounds its range
	signed bool
	words  []string
}

// The index of each value in the arrays between the structs and their text.
const (
	evKind = iota
	evCall
	evSeq
	evEmergency
	evNumber
	evEvidence
	evAnswer
	evHook
	evFailure
	evCode
	evProgress
	evSecond
	evLate
	evTook
	evInterval
	evPulseDiallingOff
	evReading
	evFields
)

const (
	efKind = iota
	efReport
	efCall
	efSeq
	efCode
	efInterval
	efNotAfter
	efSuppression
	efIncident
	efHook
	efFlash
	efTrial
	efVerified
	efPending
	efFields
)

var eventTable = [evFields]field{
	evKind:      {form: formBare, bits: 8, words: eventWords[:]},
	evCall:      {key: "call", bits: 64},
	evSeq:       {key: "seq", bits: 32},
	evEmergency: {key: "emergency", form: formFlag},
	evNumber:    {key: "number", form: formWord, bits: 8, words: numberWords[:]},
	evEvidence:  {key: "evidence", form: formWord, bits: 8, words: evidenceWords[:]},
	evAnswer:    {key: "answer", form: formWord, bits: 8, words: answerWords[:]},
	evHook:      {key: "hook", form: formWord, bits: 8, words: hookWords[:]},
	evFailure:   {key: "failure", form: formWord, bits: 8, words: failureWords[:]},
	evCode:      {key: "code", bits: 16},
	evProgress:  {key: "progress", form: formWord, bits: 8, words: progressWords[:]},
	evSecond:    {key: "second", form: formFlag},
	evLate:      {key: "late", form: formDuration},
	evTook:      {key: "took", form: formDuration},
	evInterval:  {key: "interval", form: formDuration},

	evPulseDiallingOff: {key: "pulse-dialling-off", form: formFlag},
	evReading:          {key: "reading", form: formWord, bits: 8, words: readingWords[:]},
}

var effectTable = [efFields]field{
	efKind:        {form: formBare, bits: 8, words: effectWords[:]},
	efReport:      {key: "report", form: formBare, bits: 8, words: reportWords[:]},
	efCall:        {key: "call", bits: 64},
	efSeq:         {key: "seq", bits: 32},
	efCode:        {key: "code", bits: 64, signed: true},
	efInterval:    {key: "interval", form: formDuration},
	efNotAfter:    {key: "not-after", form: formInstant},
	efSuppression: {key: "rule", form: formWord, bits: 8, words: suppressionWords[:]},
	efIncident:    {key: "reason", form: formWord, bits: 8, words: incidentWords[:]},
	efHook:        {key: "hook", form: formWord, bits: 8, words: hookWords[:]},
	efFlash:       {key: "flash", form: formFlag},
	efTrial:       {key: "trial", form: formFlag},
	efVerified:    {key: "by", form: formWord, bits: 8, words: verificationWords[:]},
	efPending:     {key: "pending", form: formFlag},
}

func (ev *Event) values() [evFields]int64 {
	v := [evFields]int64{
		evKind: int64(ev.Kind), evCall: int64(ev.Call), evSeq: int64(ev.Seq), evNumber: int64(ev.Number),
		evEvidence: int64(ev.Evidence), evAnswer: int64(ev.Answer), evHook: int64(ev.Hook),
		evFailure: int64(ev.Failure), evLate: int64(ev.Late), evTook: int64(ev.Took), evInterval: int64(ev.Interval),
		evCode: int64(ev.Code), evProgress: int64(ev.Progress), evSecond: flag(ev.Second),
		evReading: int64(ev.Reading),
	}
	v[evEmergency], v[evPulseDiallingOff] = flag(ev.Emergency), flag(ev.PulseDiallingOff)
	return v
}

func flag(is bool) int64 {
	if is {
		return 1
	}
	return 0
}

func (ev *Event) setValues(v *[evFields]int64) {
	*ev = Event{
		Kind: EventKind(v[evKind]), Call: CallID(v[evCall]), Seq: Seq(v[evSeq]), Emergency: v[evEmergency] != 0,
		Number:   NumberClass(v[evNumber]),
		Evidence: Evidence(v[evEvidence]), Answer: Answer(v[evAnswer]), Hook: Hook(v[evHook]),
		Failure: Failure(v[evFailure]), Late: time.Duration(v[evLate]), Took: time.Duration(v[evTook]),
		Interval: time.Duration(v[evInterval]), PulseDiallingOff: v[evPulseDiallingOff] != 0,
		Code: int(v[evCode]), Progress: Progress(v[evProgress]), Second: v[evSecond] != 0,
		Reading: Reading(v[evReading]),
	}
}

func (ef *Effect) values() [efFields]int64 {
	return [efFields]int64{
		efKind: int64(ef.Kind), efReport: int64(ef.Report), efCall: int64(ef.Call), efSeq: int64(ef.Seq),
		efCode: int64(ef.Code), efInterval: int64(ef.Interval), efNotAfter: int64(ef.NotAfter),
		efSuppression: int64(ef.Suppression), efIncident: int64(ef.Incident), efHook: int64(ef.Hook),
		efFlash: flag(ef.Flash), efTrial: flag(ef.Trial), efVerified: int64(ef.Verified),
		efPending: flag(ef.Pending),
	}
}

func (ef *Effect) setValues(v *[efFields]int64) {
	*ef = Effect{
		Kind: EffectKind(v[efKind]), Report: ReportKind(v[efReport]), Call: CallID(v[efCall]), Seq: Seq(v[efSeq]),
		Code: int(v[efCode]), Interval: time.Duration(v[efInterval]), NotAfter: Instant(v[efNotAfter]),
		Suppression: Suppression(v[efSuppression]), Incident: Incident(v[efIncident]), Hook: Hook(v[efHook]),
		Flash: v[efFlash] != 0, Trial: v[efTrial] != 0, Verified: Verification(v[efVerified]),
		Pending: v[efPending] != 0,
	}
}

// Append appends the event's text to b.
func (ev Event) Append(b []byte) []byte {
	v := ev.values()
	var shown uint
	switch ev.Kind {
	case AdapterLegCleared:
		shown = 1 << evAnswer
	case ProbeAnswered:
		shown = 1 << evHook
	case AttemptEnded:
		shown = 1<<evCode | 1<<evProgress
	}
	b = appendFields(b, eventTable[:], v[:], shown)
	if ev.Why != "" {
		b = strconv.AppendQuote(append(b, whyKey...), ev.Why)
	}
	return b
}

// whyKey begins the last field of an event, a string quoted as in Go.
const whyKey = " why="

// Append appends the effect's text to b.
func (ef Effect) Append(b []byte) []byte {
	v := ef.values()
	var shown uint
	switch {
	case ef.Kind == OpenLoop:
		shown = 1 << efNotAfter
	case ef.Kind == Report && ef.Report == ReportInterrupted:
		shown = 1 << efHook
	}
	return appendFields(b, effectTable[:], v[:], shown)
}

// AppendTimeless appends the effect's text to b without NotAfter, since an instant means nothing to people.
func (ef Effect) AppendTimeless(b []byte) []byte {
	v := ef.values()
	v[efNotAfter] = 0
	return appendFields(b, effectTable[:], v[:], 0)
}

// String returns the event's text.
func (ev Event) String() string { return string(ev.Append(nil)) }

// String returns the effect's text.
func (ef Effect) String() string { return string(ef.Append(nil)) }

// AppendText implements [encoding.TextAppender]; it never fails.
func (ev Event) AppendText(b []byte) ([]byte, error) { return ev.Append(b), nil }

// AppendText implements [encoding.TextAppender]; it never fails.
func (ef Effect) AppendText(b []byte) ([]byte, error) { return ef.Append(b), nil }

// MarshalText implements [encoding.TextMarshaler]; it never fails.
func (ev Event) MarshalText() ([]byte, error) { return ev.Append(nil), nil }

// MarshalText implements [encoding.TextMarshaler]; it never fails.
func (ef Effect) MarshalText() ([]byte, error) { return ef.Append(nil), nil }

// UnmarshalText implements [encoding.TextUnmarshaler]; ev is unchanged on error.
func (ev *Event) UnmarshalText(text []byte) error {
	var v [evFields]int64
	fields, quoted, has := strings.Cut(string(text), whyKey)
	why, err := "", error(nil)
	if has {
		if why, err = strconv.Unquote(strings.TrimSpace(quoted)); err != nil {
			return fmt.Errorf("%w: why=%s: write a quoted string, as the last field", ErrText, quoted)
		}
	}
	if err := parseFields(fields, eventTable[:], v[:]); err != nil {
		return err
	}
	ev.setValues(&v)
	ev.Why = why
	return nil
}

// UnmarshalText implements [encoding.TextUnmarshaler]; ef is unchanged on error.
func (ef *Effect) UnmarshalText(text []byte) error {
	var v [efFields]int64
	if err := parseFields(string(text), effectTable[:], v[:]); err != nil {
		return err
	}
	ef.setValues(&v)
	return nil
}

// ParseEvent parses the text of one event. Fields may come in any order after the kind.
func ParseEvent(s string) (ev Event, err error) {
	err = ev.UnmarshalText([]byte(s))
	return ev, err
}

// ParseEffect parses the text of one effect. Fields may come in any order after the kind.
func ParseEffect(s string) (ef Effect, err error) {
	err = ef.UnmarshalText([]byte(s))
	return ef, err
}

func appendFields(b []byte, table []field, v []int64, shown uint) []byte {
	for i := range table {
		f := &table[i]
		if i > 0 {
			if v[i] == 0 && shown&(1<<i) == 0 {
				continue
			}
			b = append(b, ' ')
		}
		if f.form != formBare {
			b = append(b, f.key...)
			if f.form == formFlag {
				continue
			}
			b = append(b, '=')
		}
		b = f.append(b, v[i])
	}
	return b
}

func (f *field) append(b []byte, v int64) []byte {
	switch f.form {
	case formWord, formBare:
		return appendWord(b, f.words, v)
	case formDuration:
		return appendDuration(b, v)
	case formInstant:
		if Instant(v) == Never {
			return append(b, "never"...)
		}
		if v >= 0 {
			b = append(b, '+')
		}
		return appendDuration(b, v)
	default:
		if f.signed {
			return strconv.AppendInt(b, v, 10)
		}
		return strconv.AppendUint(b, uint64(v), 10)
	}
}

func appendWord(b []byte, words []string, v int64) []byte {
	if v >= 0 && v < int64(len(words)) {
		return append(b, words[v]...)
	}
	return strconv.AppendInt(b, v, 10)
}

// appendDuration appends d, in nanoseconds, exactly.
func appendDuration(b []byte, d int64) []byte {
	u := uint64(d)
	if d < 0 {
		b, u = append(b, '-'), -u
	}
	if u == 0 || u >= uint64(time.Second) || u%uint64(time.Millisecond) != 0 {
		b = strconv.AppendUint(b, u/uint64(time.Second), 10)
		if rest := u % uint64(time.Second); rest != 0 {
			b = append(b, '.')
			for place := uint64(time.Second) / 10; rest != 0; place /= 10 {
				b = append(b, byte('0'+rest/place))
				rest %= place
			}
		}
		return append(b, 's')
	}
	return append(strconv.AppendUint(b, u/uint64(time.Millisecond), 10), "ms"...)
}

func parseFields(s string, table []field, v []int64) error {
	var seen uint
	words := strings.Fields(s)
	if len(words) == 0 {
		return fmt.Errorf("%w: the line is empty; begin with %q or another kind", ErrText, table[0].words[1])
	}
	for n, word := range words {
		key, value, valued := strings.Cut(word, "=")
		i := fieldFor(table, n, key, valued)
		if i < 0 {
			return fmt.Errorf("%w: %q in %q is no field; known are %s", ErrText, word, s, keys(table))
		}
		if seen&(1<<i) != 0 {
			return fmt.Errorf("%w: %q in %q is given twice; remove one", ErrText, word, s)
		}
		seen |= 1 << i
		f := &table[i]
		if f.form == formBare {
			value = word
		}
		var err error
		if v[i], err = f.parse(value); err != nil {
			return fmt.Errorf("%w: %q in %q: %w", ErrText, word, s, err)
		}
	}
	return nil
}

// fieldFor returns the row of the n-th word of a line, or -1. A bare word is the kind, a flag, or a value of the
// table's other bare field.
func fieldFor(table []field, n int, key string, valued bool) int {
	if n == 0 {
		if valued {
			return -1
		}
		return 0
	}
	bare := -1
	for i := 1; i < len(table); i++ {
		f := &table[i]
		switch {
		case f.form == formBare:
			if !valued {
				bare = i // unless a flag has that key
			}
		case valued != (f.form == formFlag) && f.key == key:
			return i
		}
	}
	return bare
}

func keys(table []field) string {
	var all []string
	for i := 1; i < len(table); i++ {
		all = append(all, table[i].key)
	}
	return strings.Join(all, ", ")
}

func (f *field) parse(s string) (int64, error) {
	switch f.form {
	case formFlag:
		return 1, nil
	case formWord, formBare:
		return f.parseWord(s)
	case formDuration:
		d, err := time.ParseDuration(s)
		return int64(d), err
	case formInstant:
		if s == "never" {
			return int64(Never), nil
		}
		d, err := time.ParseDuration(s)
		return int64(d), err
	default:
		if f.signed {
			return strconv.ParseInt(s, 10, f.bits)
		}
		u, err := strconv.ParseUint(s, 10, f.bits)
		return int64(u), err
	}
}

func (f *field) parseWord(s string) (int64, error) {
	for i, word := range f.words {
		if word == s {
			return int64(i), nil
		}
	}
	u, err := strconv.ParseUint(s, 10, f.bits)
	if err != nil {
		return 0, fmt.Errorf("allowed are %s", strings.Join(f.words, ", "))
	}
	return int64(u), nil
}

// String returns the instant's text.
func (i Instant) String() string {
	f := field{form: formInstant}
	return string(f.append(nil, int64(i)))
}
