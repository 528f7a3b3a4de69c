package callflow

import (
	"fmt"
	"runtime"
	"strings"
	"sync"
	"testing"
	"time"
)

// TestScriptErrors checks the errors of invalid scripts, with their positions.
func TestScriptErrors(t *testing.T) {
	for text, want := range map[string]string{
		"adapter sends BYE":                                    "x.flow:1: a step before the first flow",
		"flow":                                                 "x.flow:1: flow needs a title",
		"part a b":                                             "x.flow:1: part needs a name",
		"flow f\nuse nothing":                                  `x.flow:2: no part "nothing"`,
		"flow f\n\nnobody sends BYE":                           "x.flow:3: \"nobody\" is neither",
		"flow f\nadapter":                                      "is not a step",
		"flow f\nadapter eats BYE":                             `adapter cannot do "eats"`,
		"flow f\nadapter also sends BYE":                       `adapter cannot do "also"`,
		"flow f\nadapter sends":                                "what?",
		"flow f\nadapter sends HELLO":                          "neither a method nor a status code",
		"flow f\nadapter sends 200":                            "requests are sent, responses answered",
		"flow f\nadapter answers BYE":                          "requests are sent, responses answered",
		"flow f\nadapter gets 200 to HELLO":                    "is not a method",
		"flow f\nadapter gets 200 later":                       `option "later" is unknown`,
		"flow f\nadapter gets 200 with":                        `option "with" is unknown or has no value`,
		"flow f\nadapter gets 200 with 'A: b":                  "no closing '",
		"part a\nset direct":                                   "x.flow:2: a part sets nothing",
		"flow f\nline breaks":                                  "is neither adapter",
		"part a\nadapter sends BYE\npart a\nadapter sends BYE": "x.flow:3: part needs a name of its own",
	} {
		if _, faults := parse("x.flow", text, map[string][]step{}); !strings.Contains(strings.Join(faults, "\n"),
			want) {
			t.Errorf("%q: want %q, got %q", text, want, faults)
		}
	}
}

// failureRecorder is a tester that records failures.
type failureRecorder struct {
	mu   sync.Mutex
	said []string
}

func (l *failureRecorder) say(text string) {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.said = append(l.said, text)
}

func (l *failureRecorder) Helper()                        {}
func (l *failureRecorder) Logf(string, ...any)            {}
func (l *failureRecorder) Error(a ...any)                 { l.say(fmt.Sprint(a...)) }
func (l *failureRecorder) Errorf(format string, a ...any) { l.say(fmt.Sprintf(format, a...)) }
func (l *failureRecorder) Fatal(a ...any)                 { l.say(fmt.Sprint(a...)); runtime.Goexit() }
func (l *failureRecorder) Fatalf(format string, a ...any) {
	l.say(fmt.Sprintf(format, a...))
	runtime.Goexit()
}
func (l *failureRecorder) Failed() bool { return len(l.heard()) > 0 }
func (l *failureRecorder) heard() string {
	l.mu.Lock()
	defer l.mu.Unlock()
	return strings.Join(l.said, "\n")
}

// TestFlowsCanFail plays a correct flow with one step left out, changed or added.
func TestFlowsCanFail(t *testing.T) {
	t.Parallel()
	const sound = `flow f
service sends INVITE sdp
service gets 100
line sees call-arrived call=1
adapter gets INVITE sdp
adapter answers 200 sdp
adapter gets ACK
line sees call-answered call=1
service gets 200 sdp
service sends ACK
service sends BYE
service gets 200 to BYE
line sees far-end-cleared call=1 evidence=bye
adapter gets BYE
adapter answers 200 to BYE
line sees adapter-leg-cleared call=1 answer=confirmed
loop opens
`
	relay := newRelay(t, 25000)
	for _, c := range []struct{ old, new, want string }{
		{"", "", ""},
		{"service gets 200 to BYE\n", "", "unread"},
		{"service gets 200 to BYE\n", "service gets 200 to BYE\nservice gets 200 to BYE\n", "nothing came"},
		{"adapter gets INVITE sdp", "adapter gets INVITE", "has a body"},
		{"adapter gets ACK", "adapter gets ACK sdp", "has no session description"},
		{"service gets 200 sdp", "service gets 200 sdp sendonly", "is not sendonly"},
		{"adapter gets INVITE sdp", "adapter gets INVITE sdp with 'Subject: none'", "Subject is"},
		{"adapter gets INVITE sdp", "adapter gets INVITE sdp like 'Allow: HELLO'", "without \"HELLO\""},
		{"adapter gets INVITE sdp", "adapter gets INVITE sdp without Allow", "has Allow"},
		{"adapter gets INVITE sdp", "adapter gets INVITE sdp call 5550199", "does not call"},
		{"adapter gets INVITE sdp", "adapter gets INVITE sdp credentials", "no right answer"},
		{"service sends ACK\n", "", "did not acknowledge"},
		{"adapter answers 200 to BYE\nline sees adapter-leg-cleared call=1 answer=confirmed\nloop opens\n", "",
			"gave no final response"},
		{"line sees call-answered call=1\n", "", "the line saw"},
		{"line sees call-answered call=1\n", "line sees call-ringing call=1\n", "the line saw"},
		{"loop opens\n", "", "opened 1 times, the flow says 0"},
		{"loop opens\n", "loop opens\nloop opens\n", "opened 1 times"},
		{"loop opens\n", "loop opens\nservice sends OPTIONS in other\n", "got no final response"},
		{"loop opens\n", "loop opens\nservice sends OPTIONS in other held\n", "still held"},
		{"service sends ACK\n", "service sends ACK\nservice releases BYE\n", "nothing like that is held"},
		{"service sends ACK\n", "service sends ACK\nservice repeats BYE\n", "sent nothing like that"},
		{"service sends ACK\n", "service sends ACK\nservice answers 200\n", "waits for a response"},
		{"service sends ACK\n", "service sends ACK\nadapter gets ACK again\n", "no repetition"},
		{"service sends ACK\n", "service sends ACK with 'Subject: ${nobody}'\n", "is nothing"},
	} {
		t.Run(c.want+" "+c.new, func(t *testing.T) {
			t.Parallel()
			flows, faults := parse("x.flow", strings.Replace(sound, c.old, c.new, 1), nil)
			if len(faults) > 0 || !strings.Contains(sound, c.old) {
				t.Fatal(faults)
			}
			l := &failureRecorder{}
			done := make(chan struct{}) // closed when the flow has ended
			go func() {
				defer close(done)
				s := newTestBed(l, flows[0], relay)
				defer s.end()
				if c.want != "" {
					s.timeout = slow * time.Second
				}
				s.play()
			}()
			<-done
			if got := l.heard(); !strings.Contains(got, c.want) || (c.want == "") != (got == "") {
				t.Errorf("want %q, got %q", c.want, got)
			}
		})
	}
}
