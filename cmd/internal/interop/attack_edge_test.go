//go:build linux

package interop

import (
	"context"
	"encoding/binary"
	"fmt"
	"io"
	"net"
	"net/netip"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// TestAttackReplayedCredentials: an adapter's credentials for one number, captured on the way, are not valid for
// another number or another method. The adapter's own call passes with the variations that adapters use: another host
// in the uri, no port, no user, a further parameter.
func TestAttackReplayedCredentials(t *testing.T) {
	t.Parallel()
	r := newTestBed(t, setup{lines: []lineSetup{strictLine}})
	near, far := r.peer("near", 1, r.adapters[boxOffice], r.adapterPort),
		r.peer("far", 1, r.far, r.servicePort).rejects()
	host := near.to.String()
	for _, c := range []struct {
		target, uri string
		passes      bool
	}{
		{"sip:5550102@" + host, "sip:5550101@" + host, false}, {"sip:5550102@" + host, "", false},
		{"tel:5550102", "sip:5550102@" + host, false},
		{"sip:5550101@" + host, "sip:5550101@" + host, true}, {"sip:5550101@" + host, "sip:5550101@millrace.example",
			true},
		{"sip:5550101@" + host + ";user=phone", "sip:5550101@" + near.to.Addr().String(), true},
		{"sip:5550101@" + host, "sip:" + host, true},
	} {
		call := near.begins(boxOffice, c.target)
		call.request("INVITE", described(near.at))
		challenge := call.response("INVITE")
		require.Equal(t, "401", call.refused(challenge))
		call.request("INVITE", described(near.at), answersChallenge(challenge, "INVITE", c.uri, boxOffice, password))
		code := call.refused(call.response("INVITE"))
		require.Len(t, far.got(), map[bool]int{true: 1}[c.passes], "%s with credentials for %q ended with %s", c.target,
			c.uri, code)
	}
	_, passed := near.dials(far, "sip:112@"+host,
		"Authorization: Digest username=\"box-office\", realm=\"millrace.example\", nonce=\"x\", uri=\"sip:5550101@"+host+"\", response=\"0\"")
	require.Len(t, passed, 1, "a call for help passes whatever its credentials are for")
}

// TestAttackFiles: a configuration that is a FIFO does not block `check`. `check` and the daemon report files that
// others may read or write.
func TestAttackFiles(t *testing.T) {
	t.Parallel()
	r := newTestBed(t, setup{lines: []lineSetup{{name: boxOffice}}, before: func(r *testBed) {
		require.NoError(t, os.Chmod(filepath.Join(r.dir, "password"), 0o644))
		require.NoError(t, os.Chmod(r.config(), 0o666))
	}})
	pipe := filepath.Join(r.dir, "pipe.yaml")
	require.NoError(t, syscall.Mkfifo(pipe, 0o600))
	for _, args := range [][]string{{"check", pipe}, {"run", "--config", pipe}, {"close", "--config", pipe},
		{"relay", "--config", pipe}} {
		ctx, cancel := context.WithTimeout(t.Context(), 10*time.Second)
		out, err := r.command(ctx, args...).CombinedOutput()
		require.NoError(t, ctx.Err(), "%v waits for somebody to write", args)
		require.Error(t, err, "%v: %s", args, out)
		require.Contains(t, string(out), "pipe", "%v", args)
		cancel()
	}
	said := r.cli("check", r.config())
	for _, text := range []string{said.out + said.err, r.d.Output()} {
		require.Contains(t, text, "password contains a secret and may be read by")
		require.Contains(t, text, "clearback.yaml may be written by")
	}
	near, far := r.peer("near", 1, r.adapters[boxOffice], r.adapterPort), r.peer("far", 1, r.far, r.servicePort)
	requireEmergencyCall(near, far, boxOffice) // the daemon runs all the same
}

// TestAttackTerminal: a caller's number and name contain characters that move a terminal's cursor, reverse the
// direction of text or begin a formula. No output for people contains them.
func TestAttackTerminal(t *testing.T) {
	t.Parallel()
	r := newTestBed(t, setup{record: true, lines: []lineSetup{{name: boxOffice}}})
	r.peer("near", 1, r.adapters[boxOffice], r.adapterPort).rejects()
	far := r.peer("far", 1, r.far, r.servicePort)
	reached := 0
	forbidden := []string{"\u001b", "\u0007", "\u0085", "\u009b", "\u202a", "\u202e", "\u2066", "\u2069", "\u200e",
		"\u200f", "\u2028"}
	for i, from := range append(forbidden, "%1B%5B2J", "%E2%80%AE", "%C2%9B", "=cmd|' /C calc'!A0") {
		c := far.begins("555-0101", "sip:"+boxOffice+"@"+far.to.String())
		c.from = fmt.Sprintf("\"Orchestra %s pit\" <sip:%s555-0101@%s>;tag=t%d", from,
			strings.ReplaceAll(from, " ", ""), far.to, i)
		c.request("INVITE", described(far.at))
		// From the adapter. Otherwise the daemon may have refused the INVITE as malformed.
		if c.refused(c.response("INVITE")) == "486" {
			reached++
		}
	}
	require.Positive(t, reached)
	eventually(t, 10*time.Second, "the calls are recorded", func() bool { return len(r.calls()) >= reached })
	for _, args := range [][]string{{"calls"}, {"calls", "--csv"}, {"lines"}, {"explain", boxOffice}} {
		text := r.cli(args...).out
		for _, c := range forbidden {
			require.NotContains(t, text, c, "clearback %v", args)
		}
		require.NotContains(t, text, ",=cmd", "clearback %v", args)
	}
	for _, c := range forbidden {
		require.NotContains(t, r.d.Output(), c, "the log")
	}
}

// modbusTCP is a master that writes its frames byte by byte (MODBUS Messaging on TCP/IP Implementation Guide V1.0b,
// section 3.1.3).
type modbusTCP struct {
	t    *testing.T
	conn net.Conn
	n    uint16
}

func (r *testAgent) master(host byte) (*modbusTCP, error) {
	c, err := net.DialTCP("tcp4", net.TCPAddrFromAddrPort(netip.AddrPortFrom(placeOf(host), 0)),
		net.TCPAddrFromAddrPort(netip.MustParseAddrPort(at(r.port))))
	if err != nil {
		return nil, err
	}
	r.t.Cleanup(func() { c.Close() })
	return &modbusTCP{t: r.t, conn: c}, nil
}

// ask sends a function code with data. It returns the function code and data of the answer.
func (m *modbusTCP) ask(pdu ...byte) ([]byte, error) {
	m.n++
	frame := binary.BigEndian.AppendUint16(nil, m.n)
	frame = binary.BigEndian.AppendUint16(frame, 0)
	frame = binary.BigEndian.AppendUint16(frame, uint16(len(pdu)+1))
	frame = append(append(frame, 1), pdu...)
	if _, err := m.conn.Write(frame); err != nil {
		return nil, err
	}
	if err := m.conn.SetReadDeadline(time.Now().Add(5 * time.Second)); err != nil {
		return nil, err
	}
	head := make([]byte, 7)
	if _, err := io.ReadFull(m.conn, head); err != nil {
		return nil, err
	}
	answer := make([]byte, binary.BigEndian.Uint16(head[4:])-1)
	_, err := io.ReadFull(m.conn, answer)
	return answer, err
}

// testAgent is the built agent with a simulated contact that several addresses may use.
type testAgent struct {
	*agent
}

// opens counts the openings of the contact.
func (r *testAgent) opens() int {
	b, _ := os.ReadFile(filepath.Join(r.dir, "moves"))
	return strings.Count(string(b), "open")
}

// TestAttackAgent: one master opens as fast as it can. Another takes every connection that it can get and sends
// nothing. The contact opens at most four times a second, and the daemon's address still has its connection, by which
// it opens and closes.
func TestAttackAgent(t *testing.T) {
	t.Parallel()
	r := &testAgent{prepareAgent(t, func(a *agent) string {
		return fmt.Sprintf("listen: %s\nallow_from: [127.0.0.0/8]\ncontacts: [{name: box-office, simulated: {file: %s/moves}}]\n",
			at(a.port), a.dir)
	})}
	r.start()
	began := time.Now()
	busy, err := r.master(2)
	require.NoError(t, err)
	for seq := byte(1); time.Since(began) < 700*time.Millisecond; seq++ {
		_, err := busy.ask(16, 0, 0, 0, 2, 4, 0, seq, 0, 40) // open for 40 ms: sequence and length
		require.NoError(t, err)
		_, err = busy.ask(5, 0, 0, 0, 0) // close
		require.NoError(t, err)
	}
	require.LessOrEqual(t, r.opens(), 1+int(time.Since(began)/(250*time.Millisecond)), "openings in %v",
		time.Since(began))

	silent := 0
	for range 300 {
		if _, err := r.master(3); err != nil {
			break
		}
		silent++
	}
	before := r.opens()
	daemon, err := r.master(4)
	require.NoError(t, err, "after %d silent connections of another", silent)
	eventually(t, 5*time.Second, "the daemon's address opens the contact", func() bool {
		answer, err := daemon.ask(16, 0, 0, 0, 2, 4, 9, 9, 0, 200)
		require.NoError(t, err, "after %d silent connections of another", silent)
		return answer[0] == 16
	})
	require.Equal(t, before+1, r.opens())
	answer, err := daemon.ask(5, 0, 0, 0, 0)
	require.NoError(t, err)
	require.Equal(t, byte(5), answer[0])
}
