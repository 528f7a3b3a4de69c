package endpoint

import (
	"fmt"
	"net"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"github.com/emiago/sipgo/sip"
	"github.com/stretchr/testify/require"

	"clearback/bridge/sipua/endpoint/endpointtest"
)

// newTestSerial returns a serial executor and the values of its panics.
func newTestSerial() (*Serial, *[]any) {
	var faults []any
	return NewSerial(func(f func()) { go f() }, func(v any) { faults = append(faults, v) }), &faults
}

// Nothing runs before Begin. The functions given to Begin run first, then the others in the order in which they were
// posted. A panic ends only its own function. No two functions run concurrently, and no goroutine remains.
func TestSerialOrder(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s, faults := newTestSerial()
		var ran []string
		note := func(what string) func() { return func() { ran = append(ran, what) } }
		s.Post(note("posted early"))
		synctest.Wait()
		require.Empty(t, ran)
		s.Begin(note("first"), func() {
			<-time.After(time.Second)
			s.Post(note("posted meanwhile"))
			panic("a fault")
		})
		require.False(t, s.idle())
		require.True(t, s.offer(note("offered"), 4))
		<-time.After(2 * time.Second)
		synctest.Wait()
		require.Equal(t, []string{"first", "posted early", "offered", "posted meanwhile"}, ran)
		require.Equal(t, []any{"a fault"}, *faults)
		require.True(t, s.idle())
		s.Post(note("later"))
		synctest.Wait()
		require.Equal(t, "later", ran[len(ran)-1])
		require.True(t, s.idle())
	})
}

// A Serial has no goroutine while it has nothing to run, and one however much is posted before that one runs.
func TestSerialStartsOneGoroutine(t *testing.T) {
	var started []func()
	s := NewSerial(func(f func()) { started = append(started, f) }, nil)
	ran := 0
	s.Begin()
	require.Empty(t, started)
	s.Post(func() { ran++ })
	s.Post(func() { ran++ })
	require.Len(t, started, 1)
	started[0]()
	require.Equal(t, 2, ran)
	s.Post(func() { ran++ })
	require.Len(t, started, 2, "the first has ended")
}

// offer counts the functions that wait, not the one that runs.
func TestSerialIsBounded(t *testing.T) {
	s, _ := newTestSerial()
	for range 3 {
		require.True(t, s.offer(func() {}, 3))
	}
	require.False(t, s.offer(func() {}, 3))
	s.Post(func() {})
	require.False(t, s.offer(func() {}, 4))
	require.True(t, s.offer(func() {}, 5))
}

// The requests of a dialog run in its Serial and are handled by it. So do the responses to a request sent in it. A
// CANCEL of an INVITE in the dialog comes after that INVITE. An ACK for a dialog that does not exist is dropped.
func TestDialogHasASerial(t *testing.T) {
	var ran []string
	s, _ := newTestSerial()
	h := testHandler{
		request:   func(r *Request) { ran = append(ran, "outside: "+string(r.Method)) },
		cancelled: func(r *Request) { ran = append(ran, "CANCEL") },
	}
	set := func(o *Options) {
		limitedOptions(o)
		known := o.InDialog
		o.InDialog = func(r *Request) *Dialog {
			if known(r) == nil {
				return nil
			}
			return &Dialog{Serial: s, Handle: func(r *Request) { ran = append(ran, string(r.Method)) }}
		}
	}
	bubble(t, h, set, func(t *testing.T, e *Endpoint, n *endpointtest.Network, sent func() []endpointtest.Packet) {
		at := source(0)
		send := func(method, id, branch string) {
			text := strings.Replace(string(from(at, method, id)), "5550102@millrace.example>",
				"5550102@millrace.example>;tag=ours", 1)
			n.Send(at, victim, []byte(strings.Replace(text, "branch=z9hG4bK"+id, "branch=z9hG4bK"+branch, 1)))
			synctest.Wait()
		}
		for _, one := range [][2]string{{"INFO", "1"}, {"INVITE", "2"}, {"CANCEL", "2"}, {"ACK", "3"}, {"BYE", "4"}} {
			send(one[0], "up", one[1])
		}
		send("ACK", "down", "5")
		_, err := e.SendIn(s, outgoing(sip.OPTIONS, "up", net.UDPAddrFromAddrPort(at)), "", func(res Response) {
			ran = append(ran, fmt.Sprint("response: ", res.Err))
		})
		require.NoError(t, err)
		<-time.After(33 * time.Second)
		synctest.Wait()
		require.Empty(t, ran)
		s.Begin()
		synctest.Wait()
		require.Equal(t, []string{"INFO", "INVITE", "CANCEL", "ACK", "BYE", "response: " + ErrTimeout.Error()}, ran)
	})
}
