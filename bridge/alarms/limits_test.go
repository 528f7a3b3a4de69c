package alarms

import (
	"context"
	"io"
	"net"
	"os"
	"path/filepath"
	"strings"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"clearback/bridge/relay/mqtt/broker"
	"clearback/bridge/relay/mqtt/brokertest"

	"github.com/stretchr/testify/require"

	"clearback/supervision/alarm"
)

// TestMailFlood checks that a server cannot fill our memory, here in clear, before TLS.
func TestMailFlood(t *testing.T) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	var sent atomic.Int64
	served := make(chan struct{}) // closed when the server has ended
	go func() {
		defer close(served)
		c, err := l.Accept()
		if err != nil {
			return
		}
		defer c.Close()
		line := []byte("220-" + strings.Repeat("x", 1020) + "\r\n")
		for err == nil && sent.Load() < 100<<20 {
			_, err = c.Write(line)
			sent.Add(int64(len(line)))
		}
	}()
	w, err := NewMail(MailOptions{Host: "localhost", Port: l.Addr().(*net.TCPAddr).Port, StartTLS: true,
		From: "alarms@millrace.example", To: "stage-door@millrace.example"})
	require.NoError(t, err)
	_, err = send(t, w, message(t, "a-1", false), time.Minute)
	require.ErrorContains(t, err, "more than 262144 bytes")
	require.False(t, permanent(err))
	<-served
	l.Close()
	require.Less(t, sent.Load(), int64(50<<20), "the socket buffers too")
}

// TestMailDot checks that only the time before the text is short, and that the answer to its end may take 10 min (RFC
// 5321, section 4.5.3.2.6).
func TestMailDot(t *testing.T) {
	w, err := NewMail(MailOptions{Host: "localhost", From: "alarms@millrace.example", To: "stage-door@millrace.example"})
	require.NoError(t, err)
	require.GreaterOrEqual(t, w.AttemptTime(), 10*time.Minute+attemptTime)
	for name, writes := range map[string]bool{"before the text": false, "after it": true} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				near, far := net.Pipe()
				defer far.Close()
				link := &mailLink{conn: near}
				link.mu.Lock()
				link.slow = time.AfterFunc(attemptTime, link.close)
				link.mu.Unlock()
				mm, err := w.compose(message(t, "a-1", false), link.sendsText)
				require.NoError(t, err)
				if writes {
					_, err = mm.WriteTo(io.Discard)
					require.NoError(t, err)
				}
				time.Sleep(attemptTime + time.Second)
				link.mu.Lock()
				require.Equal(t, !writes, link.ended)
				link.mu.Unlock()
				link.close()
			})
		})
	}
}

type slowWay struct{ *fakeWay }

func (slowWay) AttemptTime() time.Duration { return time.Hour }

// TestAttemptTime checks that a way may have more time than others.
func TestAttemptTime(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "alarms")
	synctest.Test(t, func(t *testing.T) {
		w := slowWay{&fakeWay{answer: hangs}}
		q, _ := openQueue(dir, map[string]Way{"w": w})
		require.NoError(t, q.Put(message(t, "a-1", false), nil))
		time.Sleep(time.Hour - time.Second)
		require.Len(t, w.attempts(), 1)
		require.Empty(t, q.Status()["w"].Failure)
		time.Sleep(time.Minute)
		require.Len(t, w.attempts(), 2)
		require.NoError(t, q.Close(time.Second))
	})
}

// TestUrgentBreaksOff checks that an urgent message waits for at most 30 s behind an ordinary one whose attempt may
// take longer, and that a second urgent one does not have the first one broken off.
func TestUrgentBreaksOff(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "alarms")
	synctest.Test(t, func(t *testing.T) {
		w := slowWay{&fakeWay{answer: hangs}}
		q, _ := openQueue(dir, map[string]Way{"w": w})
		require.NoError(t, q.Put(message(t, "a-1", false), nil))
		time.Sleep(time.Second)
		require.NoError(t, q.Put(message(t, "u-1", true), nil))
		time.Sleep(attemptTime - 2*time.Second)
		require.Len(t, w.attempts(), 1)
		time.Sleep(time.Second)
		synctest.Wait()
		require.Len(t, w.attempts(), 2)
		require.NoError(t, q.Put(message(t, "u-2", true), nil))
		time.Sleep(50 * time.Minute)
		require.Len(t, w.attempts(), 2)
		w.set(nil)
		time.Sleep(11 * time.Minute) // the attempt for u-1 ends
		synctest.Wait()
		require.ElementsMatch(t, []string{"a-1", "u-1", "u-2"}, w.got())

		w.set(hangs)
		require.NoError(t, q.Put(message(t, "a-2", false), nil))
		time.Sleep(time.Minute)
		w.set(nil)
		require.NoError(t, q.Put(message(t, "u-3", true), nil))
		synctest.Wait()
		require.Equal(t, []string{"u-3", "a-2"}, w.got()[3:], "the attempt has had its 30 s")
		require.NoError(t, q.Close(time.Second))
	})
}

// TestFailedUrgentBreaksOff checks that an urgent message that has failed once waits for at most 30 s behind an
// ordinary one, and that a reload does not have an ordinary one broken off.
func TestFailedUrgentBreaksOff(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "alarms")
	synctest.Test(t, func(t *testing.T) {
		w := slowWay{&fakeWay{answer: hangs}}
		q, _ := openQueue(dir, map[string]Way{"w": w})
		require.NoError(t, q.Put(message(t, "a-1", false), nil))
		time.Sleep(time.Second)
		q.SetWays(map[string]Way{"w": w})
		time.Sleep(50 * time.Minute)
		require.Len(t, w.attempts(), 1)
		w.set(down)
		time.Sleep(10 * time.Minute)
		w.set(nil)
		time.Sleep(10 * time.Minute)
		require.Equal(t, []string{"a-1"}, w.got())

		w.set(down)
		require.NoError(t, q.Put(message(t, "u-1", true), nil))
		synctest.Wait()
		w.set(func(ctx context.Context, m *alarm.Message) error {
			if m.Urgent {
				return nil
			}
			return hangs(ctx, m)
		})
		require.NoError(t, q.Put(message(t, "a-2", false), nil)) // its turn, since the urgent one has failed
		time.Sleep(firstPause + attemptTime + time.Second)
		require.Equal(t, []string{"a-1", "u-1"}, w.got())
		require.NoError(t, q.Close(time.Second))
	})
}

// TestRefusedAgain checks that a way counts as one that accepts messages, although it refuses one of them again and
// again.
func TestRefusedAgain(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "alarms")
	synctest.Test(t, func(t *testing.T) {
		w := &fakeWay{answer: refuses}
		q, _ := openQueue(dir, map[string]Way{"w": w})
		require.NoError(t, q.Put(message(t, "u-1", true), nil))
		synctest.Wait()
		require.NotEmpty(t, q.Status()["w"].Failure)
		w.set(func(ctx context.Context, m *alarm.Message) error {
			if m.Urgent {
				return refuses(ctx, m)
			}
			return nil
		})
		require.NoError(t, q.Put(message(t, "a-1", false), nil))
		for range 3 {
			time.Sleep(longPause + time.Minute)
			require.Empty(t, q.Status()["w"].Failure)
			require.Zero(t, q.Status()["w"].Since)
		}
		require.EqualValues(t, 4, q.Status()["w"].Attempts.Refused)
		require.NoError(t, q.Close(time.Second))
	})
}

// TestCertificateFiles checks that a way whose certificate file is missing takes the file as soon as it is there,
// without a reload, and later a renewed one.
func TestCertificateFiles(t *testing.T) {
	s := &mailServer{}
	o := s.options(t, s.start(t))
	ca := o.TLS.CA
	o.TLS.CA = filepath.Join(t.TempDir(), "ca.pem")
	w, err := NewMail(o)
	require.NoError(t, err)
	hook, err := NewWebhook(WebhookOptions{URL: "https://127.0.0.1:1/", TLS: o.TLS})
	require.NoError(t, err)
	mqtt, err := NewMQTT(MQTTOptions{Address: "mqtts://127.0.0.1:1", Topic: "millrace", TLS: o.TLS})
	require.NoError(t, err)
	for _, w := range []Way{w, hook, mqtt} {
		_, err = send(t, w, message(t, "a-1", true), 10*time.Second)
		require.ErrorContains(t, err, "ca.pem")
		require.False(t, permanent(err))
	}
	text, err := os.ReadFile(ca)
	require.NoError(t, err)
	require.NoError(t, os.WriteFile(o.TLS.CA, text, 0o600))
	_, err = send(t, w, message(t, "a-1", true), 10*time.Second)
	require.NoError(t, err)
	cert, next := certificate(t, "localhost", time.Now().Add(time.Hour)) // of another authority
	s.setCert(cert)
	text, err = os.ReadFile(next)
	require.NoError(t, err)
	require.NoError(t, os.WriteFile(o.TLS.CA, text, 0o600))
	_, err = send(t, w, message(t, "a-2", true), 10*time.Second)
	require.NoError(t, err)
}

// TestReading checks that a reading which hangs ends with the context, and that no second one begins meanwhile.
func TestReading(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var r reading[int]
		var count atomic.Int32
		disk := make(chan int) // each value is one answer of the disk
		read := func() (int, error) { count.Add(1); return <-disk, nil }
		for range 2 {
			ctx, cancel := context.WithTimeout(t.Context(), attemptTime)
			_, err := r.do(ctx, read)
			cancel()
			require.ErrorContains(t, err, "the disk does not respond")
			require.ErrorIs(t, err, context.DeadlineExceeded)
		}
		require.EqualValues(t, 1, count.Load())
		for want := range 2 {
			go func() { disk <- want }()
			got, err := r.do(t.Context(), read)
			require.NoError(t, err)
			require.Equal(t, want, got)
		}
		require.EqualValues(t, 2, count.Load())
	})
}

// TestMQTTOldWill checks that the availability is online again after the broker has published the will of an earlier
// connection.
func TestMQTTOldWill(t *testing.T) {
	b := brokertest.Own(t, brokertest.Anybody)
	got := subscriber(t, b, "availability")
	q, _ := openQueue(filepath.Join(t.TempDir(), "alarms"), map[string]Way{"mqtt": newMQTT(t, b)})
	require.Equal(t, "online", string(receive(t, got).Payload))
	c, err := broker.New(broker.Options{Address: "mqtt://" + b.Address(), Timeout: 10 * time.Second, KeepAlive: time.Minute})
	require.NoError(t, err)
	old, err := c.Dial(t.Context(), broker.Session{ClientID: broker.Unique(),
		Receive: func(*broker.Conn, broker.Publication) {},
		Will:    broker.Message{Topic: "millrace/availability", Payload: []byte("offline"), Retain: true}})
	require.NoError(t, err)
	old.Reset()
	require.Equal(t, "offline", string(receive(t, got).Payload))
	require.Equal(t, "online", string(receive(t, got).Payload))
	require.NoError(t, q.Close(10*time.Second))
	require.Equal(t, "offline", string(receive(t, got).Payload))
	require.Empty(t, got)
}

// TestMQTTLasting checks which answers of a broker are final (MQTT 5.0, sections 3.4.2.1 and 3.14.2.1).
func TestMQTTLasting(t *testing.T) {
	w, err := NewMQTT(MQTTOptions{Address: "mqtt://broker.example", Topic: "millrace"})
	require.NoError(t, err)
	for code, want := range map[byte]bool{0x80: false, 0x83: false, 0x87: true, 0x90: true, 0x91: false, 0x97: false,
		0x99: true} {
		require.Equal(t, want, permanent(w.failure(&broker.DeniedError{Topic: "a", Code: code})), "0x%02x", code)
		require.False(t, permanent(w.failure(&broker.EndedError{Code: code})))
	}
	require.True(t, permanent(w.failure(&broker.EndedError{Code: 0x95})), "packet too large")
}

// TestMessageID checks what a message ID may be, since it becomes part of a file's name.
func TestMessageID(t *testing.T) {
	for id, valid := range map[string]bool{"": false, "a-1": true, "../a": false, "a\n": false,
		strings.Repeat("a", 64): true, strings.Repeat("a", 65): false} {
		require.Equal(t, valid, validID(id), "%q", id)
	}
}
