package httprelay

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/require"

	"clearback/bridge/relay"
	"clearback/bridge/relay/controller"
	"clearback/bridge/relay/relaytest"
)

// inMemory is a device reached by pipes. It serves one request per connection with the result of answer; "" means no
// answer.
type inMemory struct {
	mu     sync.Mutex
	asked  []string // method, path and body
	at     []time.Time
	answer func(path string) string
	takes  time.Duration
	fail   error
}

func (m *inMemory) dial(context.Context, string) (net.Conn, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	if m.fail != nil {
		return nil, m.fail
	}
	near, far := net.Pipe()
	go m.serve(far)
	return near, nil
}

func (m *inMemory) serve(c net.Conn) {
	defer c.Close()
	r, err := http.ReadRequest(bufio.NewReader(c))
	if err != nil {
		return // there was no request
	}
	body, err := io.ReadAll(r.Body)
	if err != nil {
		return
	}
	m.mu.Lock()
	m.asked, m.at = append(m.asked, strings.TrimSpace(r.Method+" "+r.URL.Path+" "+string(body))),
		append(m.at, time.Now())
	answer, takes := m.answer(r.URL.Path), m.takes
	m.mu.Unlock()
	<-time.After(takes)
	if answer == "" {
		_, _ = io.Copy(io.Discard, c) // until the driver disconnects
		return
	}
	_, _ = io.WriteString(c, answer)
}

func (m *inMemory) set(answer string) {
	m.mu.Lock()
	defer m.mu.Unlock()
	m.answer, m.asked = func(string) string { return answer }, nil
}

// slow delays each answer by the given time.
func (m *inMemory) slow(takes time.Duration) {
	m.mu.Lock()
	defer m.mu.Unlock()
	m.takes, m.at = takes, nil
}

// times returns the times of the requests since the last call of slow.
func (m *inMemory) times() []time.Time {
	m.mu.Lock()
	defer m.mu.Unlock()
	return append([]time.Time(nil), m.at...)
}

func (m *inMemory) requests() []string {
	m.mu.Lock()
	defer m.mu.Unlock()
	return append([]string(nil), m.asked...)
}

// ok returns a complete answer.
func ok(body string) string {
	return fmt.Sprintf("HTTP/1.1 200 OK\r\nContent-Length: %d\r\n\r\n%s", len(body), body)
}

var fine = ok(`{"open": false}`)

// onMemory runs a test on a contact of such a device, on virtual time. The board is not started.
func onMemory(t *testing.T, o ContactOptions, test func(*testing.T, *inMemory, *Contact, *device)) {
	t.Helper()
	synctest.Test(t, func(t *testing.T) {
		m := &inMemory{}
		m.set(fine)
		b, err := NewBoard(Options{Name: "device", URL: "http://relays.example/a", Timeout: time.Second, Poll: time.Hour,
			NoLock: true, Dial: m.dial})
		require.NoError(t, err)
		o.Name = "box-office"
		c, err := b.Contact(o)
		require.NoError(t, err)
		c.seq.Store(0)
		test(t, m, c, &device{board: b, contact: c})
		b.Shutdown(t.Context())
	})
}

// do makes one request with a time-out of its own.
func (d *device) do(t *testing.T, op controller.Op, before error) (relay.Level, error) {
	ctx, cancel := context.WithTimeout(t.Context(), time.Second)
	defer cancel()
	return d.Do(ctx, controller.Request{Op: op, Duration: 800 * time.Millisecond}, func() error { return before })
}

// TestExchanges checks the request of each operation and the result of each answer.
func TestExchanges(t *testing.T) {
	onMemory(t, ContactOptions{}, func(t *testing.T, m *inMemory, _ *Contact, d *device) {
		for _, c := range []struct {
			op    controller.Op
			level relay.Level
			asked []string
		}{
			{controller.Close, relay.LevelUnknown, []string{"POST /a/box-office/close"}},
			{controller.Read, relay.LevelClosed, []string{"GET /a/box-office/state"}},
			{controller.Open, relay.LevelUnknown, []string{"GET /a/box-office/state",
				`POST /a/box-office/pulse {"seq":2,"ms":800}`}},
			{controller.Try, relay.LevelUnknown, []string{"GET /a/box-office/state",
				`POST /a/box-office/pulse {"seq":3,"ms":800}`}},
		} {
			m.set(fine)
			level, err := d.do(t, c.op, nil)
			require.NoError(t, err)
			require.Equal(t, c.level, level)
			require.Equal(t, c.asked, m.requests())
		}
		m.set(ok(`{"open": true, "token": "a.b"}`))
		level, err := d.do(t, controller.Read, nil)
		require.NoError(t, err)
		require.Equal(t, relay.LevelOpen, level)
		_, err = d.do(t, controller.Open, nil)
		require.NoError(t, err)
		require.Contains(t, m.requests(), `POST /a/box-office/pulse {"seq":4,"ms":800,"token":"a.b"}`)

		longest := strings.Repeat("x", tokenMax)
		m.set(ok(`{"open": false, "token": "` + longest + `"}`))
		_, err = d.do(t, controller.Open, nil)
		require.NoError(t, err)
		require.Contains(t, m.requests()[1], longest)

		m.set("x\r\n\r\n")
		_, err = d.do(t, controller.Open, nil)
		require.ErrorIs(t, err, ErrAnswer)
		require.Len(t, m.requests(), 1, "no pulse where the state is garbage")

		forbidden := errors.New("forbidden")
		m.set(fine)
		for _, op := range []controller.Op{controller.Close, controller.Read} {
			_, err = d.do(t, op, forbidden)
			require.Equal(t, forbidden, err)
		}
		require.Empty(t, m.requests())
		_, err = d.do(t, controller.Open, forbidden)
		require.Equal(t, forbidden, err)
		require.Equal(t, []string{"GET /a/box-office/state"}, m.requests(), "the token only")

		for answer, says := range map[string]string{
			ok(`{"open": "maybe"}`): "which is neither state", ok("{}"): "does not have the value",
			"HTTP/1.1 200 OK\r\nContent-Length: 20\r\n\r\n{}": "it ends too early",
			"x\r\n\r\n": "it is not valid HTTP",
			"HTTP/1.1 101 Switching Protocols\r\n\r\n":                      "status code 101",
			strings.Repeat("HTTP/1.1 102 Processing\r\n\r\n", interimMax+1): "interim answers",
			"HTTP/1.1 404 Not Found\r\nContent-Length: 0\r\n\r\n":           "it answered 404 Not Found",
			"": "no complete answer within 1s",
		} {
			m.set(answer)
			began := time.Now()
			level, err := d.do(t, controller.Read, nil)
			require.ErrorContains(t, err, says)
			require.ErrorContains(t, err, "GET http://relays.example/a/{contact}/state: ")
			require.Equal(t, relay.LevelUnknown, level)
			if answer == "" {
				require.Equal(t, time.Second, time.Since(began))
				require.ErrorIs(t, err, context.DeadlineExceeded)
			}
		}
		m.set(strings.Repeat("HTTP/1.1 102 Processing\r\n\r\n", interimMax) + fine)
		_, err = d.do(t, controller.Read, nil)
		require.NoError(t, err, "this number is allowed")
		m.mu.Lock()
		m.fail = errors.New("no route")
		m.mu.Unlock()
		for _, op := range []controller.Op{controller.Open, controller.Close, controller.Read} {
			_, err = d.do(t, op, nil)
			require.ErrorIs(t, err, m.fail)
		}
	})
}

// TestExpectedAnswers checks that a successful answer without the expected value is a refusal, but not a sure one.
func TestExpectedAnswers(t *testing.T) {
	o := ContactOptions{Open: &Request{Path: "/open", Expect: &Expect{Pointer: "/is", Values: []string{"on", "true"}}},
		Close: &Request{Path: "/close"}}
	onMemory(t, o, func(t *testing.T, m *inMemory, _ *Contact, d *device) {
		m.set(ok(`{"is": true}`))
		_, err := d.do(t, controller.Open, nil)
		require.NoError(t, err)
		m.set(ok(`{"is": false}`))
		_, err = d.do(t, controller.Open, nil)
		var no *controller.Refusal
		require.ErrorAs(t, err, &no)
		require.False(t, no.Sure)
		require.ErrorContains(t, err, `its answer says "false"; expected one of ["on" "true"]`)
		m.set(ok("{}"))
		_, err = d.do(t, controller.Open, nil)
		require.ErrorIs(t, err, ErrAnswer)
		require.False(t, errors.As(err, &no))
	})
}

// TestPaceOfReadings checks the pause between two readings of the input: three times the duration of a reading, or once
// soon after an opening, and at least 20 ms.
func TestPaceOfReadings(t *testing.T) {
	current := ok("1")
	o := ContactOptions{Sense: &Read{Request: Request{Path: "/current"}, Open: []string{"0"}, Closed: []string{"1"}}}
	for takes, pause := range map[time.Duration]time.Duration{0: 20, 5: 20, 6: 20, 7: 21, 100: 300} {
		onMemory(t, o, func(t *testing.T, m *inMemory, c *Contact, d *device) {
			d.board.Start()
			require.NoError(t, d.board.Ready(t.Context()))
			<-time.After(5 * time.Second) // long after the last opening
			m.set(current)
			m.slow(takes * time.Millisecond)
			for range 3 {
				level, err := c.Sense(t.Context())
				require.NoError(t, err)
				require.Equal(t, relay.LevelClosed, level)
			}
			at := m.times()
			require.Equal(t, (takes+pause)*time.Millisecond, at[2].Sub(at[1]))
			require.Equal(t, (takes+pause)*time.Millisecond, at[1].Sub(at[0]))
			ctx, cancel := context.WithTimeout(t.Context(), 10*time.Millisecond)
			defer cancel()
			_, err := c.Sense(ctx)
			require.ErrorIs(t, err, context.DeadlineExceeded, "it is too soon for another one")
			require.ErrorContains(t, err, "line box-office: reading the input: ")
			<-c.pacing.turn // another caller reads
			_, err = c.Sense(ctx)
			require.ErrorIs(t, err, context.DeadlineExceeded)
			c.pacing.turn <- struct{}{}
			m.slow(0)
			m.set(fine)
		})
	}
	onMemory(t, o, func(t *testing.T, m *inMemory, c *Contact, _ *device) {
		now := time.Now()
		c.pacing.took, c.pacing.ended = 100*time.Millisecond, now
		require.Equal(t, 300*time.Millisecond, c.senseWait(now))
		require.Equal(t, 100*time.Millisecond, c.senseWait(now.Add(200*time.Millisecond)))
		require.Zero(t, c.senseWait(now.Add(300*time.Millisecond)))
	})
}

// TestReadingsBesideAnOpening checks the pauses while an opening is pending or under way and for a second after it: the
// duration of a reading. If a reading could last beyond the end of the opening, it waits for that end.
func TestReadingsBesideAnOpening(t *testing.T) {
	const ms = time.Millisecond
	onMemory(t, ContactOptions{Sense: &Read{Request: Request{Path: "/current"}, Open: []string{"0"},
		Closed: []string{"1"}}}, func(t *testing.T, m *inMemory, c *Contact, d *device) {
		open := false
		m.mu.Lock()
		m.answer = func(path string) string { // guarded by mu
			if strings.HasSuffix(path, "/pulse") || strings.HasSuffix(path, "/close") {
				open = strings.HasSuffix(path, "/pulse")
			}
			return ok(fmt.Sprintf(`{"open": %t}`, open))
		}
		m.mu.Unlock()
		d.board.Start()
		require.NoError(t, d.board.Ready(t.Context()))
		<-time.After(5 * time.Second)
		wait := func(ended, took time.Duration) time.Duration {
			now := time.Now()
			c.pacing.ended, c.pacing.took = now.Add(-ended), took
			return c.senseWait(now)
		}
		require.Equal(t, 300*ms, wait(0, 100*ms), "at rest")
		m.slow(50 * ms)
		result := make(chan relay.Result, 1) // read below
		go func() {
			result <- c.Interrupt(t.Context(), relay.Interruption{Seq: 1, Duration: 800 * ms,
				NotAfter: time.Now().Add(time.Second)})
		}()
		<-time.After(70 * ms) // the token has arrived, and the pulse is on its way
		require.Equal(t, 100*ms, wait(0, 100*ms), "without an answer yet")
		<-time.After(40 * ms) // confirmed 10 ms ago
		m.slow(0)
		require.Equal(t, 100*ms, wait(0, 100*ms))
		require.Equal(t, 20*ms, wait(0, 5*ms))
		require.Equal(t, -80*ms, wait(100*ms, 5*ms), "nothing to wait for")
		<-time.After(788*ms - 2*100*ms)
		require.Equal(t, 100*ms, wait(0, 100*ms), "just in time: twice a reading and 2 ms are left")
		<-time.After(1)
		require.Equal(t, 202*ms-1, wait(100*ms, 100*ms), "after its end")
		require.Equal(t, relay.Done, (<-result).Outcome)
		require.Equal(t, 100*ms, wait(0, 100*ms))
		<-time.After(time.Second)
		require.Equal(t, 300*ms, wait(0, 100*ms))
	})
}

// TestSecretsOfARequest checks that each secret is listed once, in each form in which an answer may repeat it.
func TestSecretsOfARequest(t *testing.T) {
	b, err := NewBoard(Options{Name: "device", URL: "http://relays.example", NoLock: true})
	require.NoError(t, err)
	b.opt.Password = `a"b c`
	k := newCompiler(b, &ContactOptions{Name: "box-office", Contact: "relay-number-7"})
	got := k.secretsOf(&message{url: "http://relays.example/x?key=sixsix&to=short&k=box-office&q=sev%20en",
		body: `{"seven77": "eighteig", "relay-number-7": 1}`,
		headers: []Header{{"User-Agent", "clearback"}, {"Cache-Control", "no-store"}, {"Content-Type", "text"},
			{"Authorization", "Basic eHl6"}, {"X-Key", "Bearer eHl6 p"}}})
	require.Equal(t, []string{"a\"b c", "a%22b+c", "a&#34;b c", `a\"b c`, "eHl6", "eighteig", "p", "sev en", "sev%20en",
		"sev%2520en", "sev+en", "sixsix"}, got)
	b.opt.Password = "z"
	require.Equal(t, []string{"z"}, k.secretsOf(&message{url: "http://relays.example/x"}), "however short")
}

// SAFETY.md S92: a device is asked often enough, though it takes its time to answer.
func TestFoundOpen(t *testing.T) {
	relaytest.FindsOpen(t, func(notify func(relay.Notice)) relaytest.Started {
		m := &inMemory{takes: defaultTimeout - 1}
		m.set(fine)
		b, err := NewBoard(Options{Name: "device", URL: "http://relays.example/a", NoLock: true, Dial: m.dial,
			Notify: notify})
		require.NoError(t, err)
		_, err = b.Contact(ContactOptions{Name: "box-office"})
		require.NoError(t, err)
		b.Start()
		return relaytest.Started{Ready: b.Ready, Open: func() { m.set(ok(`{"open": true}`)) },
			Shutdown: func(ctx context.Context) { b.Shutdown(ctx) }}
	})
}
