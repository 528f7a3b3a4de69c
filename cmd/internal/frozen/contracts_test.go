package frozen

import (
	"bufio"
	"bytes"
	"context"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"maps"
	"net"
	"net/http"
	"net/netip"
	"regexp"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"clearback/bridge/relay"
	"clearback/bridge/relay/agent"
	"clearback/bridge/relay/drivers"
	"clearback/bridge/relay/modbus/modbustest"
	"clearback/bridge/relay/mqtt"
	"clearback/bridge/relay/mqtt/broker"
	"clearback/bridge/relay/mqtt/brokertest"
	"clearback/config"
)

// requests records the different requests that a device received. Their number and order depend on the driver and are
// not compared.
type requests struct {
	mu  sync.Mutex
	all map[string]bool
}

func (h *requests) add(request string) {
	h.mu.Lock()
	defer h.mu.Unlock()
	if h.all == nil {
		h.all = map[string]bool{}
	}
	h.all[request] = true
}

func (h *requests) String() string {
	h.mu.Lock()
	defer h.mu.Unlock()
	return strings.Join(slices.Sorted(maps.Keys(h.all)), "\n") + "\n"
}

// listen serves each connection until the test ends.
func listen(t *testing.T, serve func(net.Conn)) (address string) {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	var all sync.WaitGroup
	all.Go(func() {
		for {
			c, err := l.Accept()
			if err != nil {
				return
			}
			all.Go(func() {
				defer c.Close()
				serve(c)
			})
		}
	})
	t.Cleanup(func() {
		l.Close()
		all.Wait()
	})
	return l.Addr().String()
}

// exercise tries the opening command, opens each contact once, closes it and reads its loop-current input.
func exercise(t *testing.T, controller string, contacts map[string]string) {
	t.Helper()
	text := `country: GB
sip: {adapter_side: {listen: "192.0.2.10:5060"}, service_side: {listen: "192.0.2.10:5070"}}
controllers: [` + controller + `]
lines:
`
	for line, contact := range contacts {
		text += fmt.Sprintf(`  - name: %s
    adapter: {user: %[1]s, contact: "sip:192.0.2.21"}
    service: {registrar: "sip:192.0.2.5", user: %[1]s, register: false}
    contact: {%s}
`, line, contact)
	}
	c, faults := config.Parse("playhouse", []byte(text), config.Env{})
	require.Empty(t, faults.String())
	set, err := drivers.Open(c, drivers.Options{NoLock: true})
	require.NoError(t, err)
	ctx, cancel := context.WithTimeout(t.Context(), 20*time.Second)
	defer cancel()
	defer func() { require.Empty(t, set.Shutdown(ctx)) }()
	require.NoError(t, set.Ready(ctx))
	for line := range contacts {
		contact := set.Contact(line)
		if trier, ok := contact.(relay.Trier); ok {
			if err := trier.Try(ctx); !errors.Is(err, relay.ErrCannotTry) {
				require.NoError(t, err, line)
			}
		}
		r := contact.Interrupt(ctx, relay.Interruption{
			Seq: 7, Duration: 60 * time.Millisecond, NotAfter: time.Now().Add(10 * time.Second),
		})
		require.Equal(t, relay.Done, r.Outcome, "%s: %v", line, r.Err)
		require.NoError(t, contact.Close(ctx))
		if s, ok := contact.(relay.Sensor); ok {
			_, _ = s.Sense(ctx) // not every contact has an input
		}
	}
}

// commandNumber matches the number of a command. Numbers begin at any value, so the lengths of bodies differ.
var (
	commandNumber = regexp.MustCompile(`"seq":\d+`)
	bodyLength    = regexp.MustCompile(`Content-Length: [1-9]\d*`)
)

// TestHTTP compares, byte by byte, the requests to a device that follows deploy/contract-http.md, and to one with
// requests from the configuration.
func TestHTTP(t *testing.T) {
	var got requests
	var mu sync.Mutex
	open, seq := map[string]time.Time{}, map[string]*uint32{}
	address := listen(t, func(c net.Conn) {
		var raw bytes.Buffer
		r, err := http.ReadRequest(bufio.NewReader(io.TeeReader(c, &raw)))
		if err != nil {
			return
		}
		body, err := io.ReadAll(r.Body)
		if err != nil {
			return
		}
		text := strings.ReplaceAll(raw.String(), "Host: "+c.LocalAddr().String(), "Host: device.example")
		text = bodyLength.ReplaceAllString(text, "Content-Length: L")
		got.add(commandNumber.ReplaceAllString(strings.ReplaceAll(text, "\r\n", "\n"), `"seq":N`) + "\n")
		var order struct {
			Seq *uint32 `json:"seq"`
			MS  int64   `json:"ms"`
		}
		if len(body) > 0 && json.Unmarshal(body, &order) != nil {
			return
		}
		mu.Lock()
		defer mu.Unlock()
		name, action, _ := strings.Cut(strings.TrimPrefix(r.URL.Path, "/"), "/")
		switch action {
		case "pulse", "on":
			open[name], seq[name] = time.Now().Add(time.Duration(order.MS)*time.Millisecond), order.Seq
		case "close", "off":
			open[name] = time.Time{}
		}
		state, err := json.Marshal(map[string]any{
			"open": time.Now().Before(open[name]), "ms_left": 0, "pulses": 1, "token": "t-1", "seq": seq[name],
		})
		if err != nil {
			return
		}
		fmt.Fprintf(c, "HTTP/1.1 200 OK\r\nContent-Type: application/json\r\nContent-Length: %d\r\n\r\n%s", len(state),
			state)
	})
	exercise(t, `{name: device, driver: http, http: {url: "http://`+address+`"}}`, map[string]string{
		"box-office": `driver: http, controller: device, http: {contact: relay-1}`,
		"stage-door": `driver: http, controller: device, http: {contact: out,
      timed: {limit: 3s, path: "/{contact}/on?s={s}&ms={ms}", method: PUT, body: '{"line":"{line}","seq":{seq},"ms":{ms}}'},
      close: {path: "/{contact}/off"}, read: {path: "/{contact}", pointer: /open, open: [true], closed: [false]}}`,
	})
	compare(t, "http.txt", got.String())
}

// TestModbus compares the requests to a board, unit and PDU: for a bare coil with a watchdog, a timed output, a timed
// output with a sequence number, and a bare coil that opens the loop when it is off.
func TestModbus(t *testing.T) {
	b := modbustest.NewBoard(t, modbustest.BoardOptions{OpenOn: true, Timers: []modbustest.Timer{
		{Register: 10, Coil: 1, Unit: time.Millisecond},
		{Register: 12, Coil: 2, Unit: time.Millisecond, Sequence: true},
	}})
	b.Answer(modbustest.PDU(6, 12, 40)) // the last sequence number
	const consent = "accept_open_if_daemon_dies: true, accept_open_if_power_fails: true"
	exercise(t, `{name: relays, driver: modbus, modbus: {address: "`+b.Address()+`"}}`, map[string]string{
		"box-office": "driver: modbus, controller: relays, coil: 0, watchdog: {register: 20, unit: 100ms, timeout: 1s}, sense: {input: 5}",
		"stage-door": "driver: modbus, controller: relays, coil: 1, timed: {register: 10, unit: 1ms, limit: 3s}",
		"workshop":   "driver: modbus, controller: relays, coil: 2, timed: {register: 12, sequence: true, unit: 1ms, limit: 3s}",
		"green-room": "driver: modbus, controller: relays, unit: 9, coil: 3, " + consent,
	})
	var got requests
	for _, r := range b.Requests() {
		got.add(fmt.Sprintf("unit %d: % x", r.Unit, r.PDU))
	}
	compare(t, "modbus.txt", got.String())
}

// TestAgent compares the agent's register map: requests and answers.
func TestAgent(t *testing.T) {
	a, err := agent.New(agent.Options{MaxInterval: 61 * time.Second, Watchdog: 60 * time.Second})
	require.NoError(t, err)
	for _, name := range []string{"box-office", "stage-door"} {
		_, err := a.Contact(agent.ContactOptions{
			Name: name, Senses: name == "box-office", Simulated: true,
			Open: func() (agent.Output, error) { return agent.NewSimulated("") },
		})
		require.NoError(t, err)
	}
	s := agent.NewServer(a, agent.ServerOptions{AllowFrom: []netip.Prefix{netip.MustParsePrefix("127.0.0.0/8")}})
	l, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	a.Start()
	require.Empty(t, a.Ready(t.Context()))
	served := make(chan error, 1) // receives one value
	go func() { served <- s.Serve(l) }()
	defer func() {
		ctx, cancel := context.WithTimeout(context.Background(), 5*time.Second)
		defer cancel()
		require.Empty(t, a.Shutdown(ctx))
		s.Close(ctx)
		require.NoError(t, <-served)
	}()
	c, err := net.Dial("tcp", l.Addr().String())
	require.NoError(t, err)
	defer c.Close()
	require.NoError(t, c.SetDeadline(time.Now().Add(10*time.Second)))
	var tr transcript
	for line := range strings.Lines(asked) {
		request, what, _ := strings.Cut(strings.TrimSpace(line), "  ")
		pdu, err := hex.DecodeString(strings.ReplaceAll(request, " ", ""))
		require.NoError(t, err)
		frame := append([]byte{0, 1, 0, 0, 0, byte(len(pdu) + 1), 77}, pdu...)
		_, err = c.Write(frame)
		require.NoError(t, err)
		var head [7]byte
		_, err = io.ReadFull(c, head[:])
		require.NoError(t, err)
		answer := make([]byte, head[5]-1)
		_, err = io.ReadFull(c, answer)
		require.NoError(t, err)
		require.Equal(t, []byte{0, 1, 0, 0, 0, byte(len(answer) + 1), 77}, head[:])
		tr.printf("%-30s %-36s %s\n", fmt.Sprintf("% x", pdu), fmt.Sprintf("% x", answer), what)
	}
	compare(t, "agent.txt", tr.String())
}

// asked are the requests of TestAgent. The answers do not depend on the time.
const asked = `01 00 00 00 02  both coils
02 00 00 00 01  loop current
02 00 01 00 01  no such input
03 00 00 00 04  sequence and time left of both
04 00 00 00 10  input registers of both
04 03 e8 00 02  version and contacts
04 03 ed 00 02  watchdog and max_interval
03 03 e8 00 01  watchdog
06 03 e8 ea 60  watchdog of 60 s
06 03 e8 00 63  watchdog of 99 ms
10 00 00 00 02 04 00 29 00 00  pulse(41, 0) of the first
03 00 00 00 02  sequence and time left
10 00 00 00 02 04 00 2a ea 60  pulse(42, 60 s) of the first
01 00 00 00 02  both coils
02 00 00 00 01  loop current
04 00 00 00 03  level, sequence, outcome
05 00 00 00 00  coil off
01 00 00 00 01  the coil
04 00 00 00 03  level, sequence, outcome
04 00 06 00 01  openings
10 00 00 00 02 04 00 2b ee 49  pulse(43, 61.001 s)
04 00 02 00 01  outcome
06 00 03 ea 60  pulse(60 s) of the second, without a sequence
0f 00 00 00 02 01 00  both coils off
0f 00 00 00 02 01 01  one of them on
05 00 00 ff 00  coil on
05 00 02 00 00  no such coil
06 00 00 00 05  a sequence alone
10 00 01 00 02 04 00 29 00 00  half of one and half of another
06 00 04 00 05  no such contact
04 03 ef 00 01  no such register
07  another function
`

// TestMQTT compares the messages to a device that follows deploy/contract-mqtt.md, and the states that it may publish.
func TestMQTT(t *testing.T) {
	b := brokertest.Own(t, brokertest.Anybody)
	link, err := broker.New(broker.Options{Address: "mqtt://" + b.Address(), Timeout: 5 * time.Second,
		KeepAlive: 5 * time.Second})
	require.NoError(t, err)
	var got requests
	told := make(chan mqtt.Command, 100) // more than the test sends
	hears := func(_ *broker.Conn, m broker.Publication) {
		var k mqtt.Command
		if json.Unmarshal(m.Payload, &k) == nil {
			text := strings.ReplaceAll(string(m.Payload), `"`+k.From+`"`, `"FROM"`)
			text = commandNumber.ReplaceAllString(text, `"seq":N`)
			got.add(fmt.Sprintf("%s %s retained %t", m.Topic, text, m.Retained))
			told <- k
		}
	}
	conn, err := link.Dial(t.Context(), broker.Session{
		ClientID: broker.Unique(), Receive: hears,
		Will: broker.Message{Topic: "playhouse/box-office/state", Payload: []byte(`{"online":false}`), Retain: true},
		Subscribe: []broker.Subscription{
			{Topic: "playhouse/box-office/pulse"}, {Topic: "playhouse/box-office/close"},
			{Topic: "playhouse/box-office/read"},
		},
	})
	require.NoError(t, err)
	defer conn.Leave(false)
	tell := func(s string) {
		// The connection may not be up yet, or may have ended.
		m := broker.Message{Topic: "playhouse/box-office/state", Payload: []byte(s), Retain: true}
		_ = conn.Publish(context.Background(), m, nil)
	}
	ended := make(chan struct{})
	var device sync.WaitGroup
	device.Go(func() {
		until := time.Time{}
		for {
			select {
			case k := <-told:
				if k.MS > 0 {
					until = time.Now().Add(time.Duration(k.MS) * time.Millisecond)
				} else if k.Token != "" {
					until = time.Time{}
				}
				tell(fmt.Sprintf(`{"online":true,"from":%q,"seq":%d,"result":"done","open":%t,"left_ms":0,"pulses":1,"token":"t-1"}`,
					k.From, k.Seq, time.Now().Before(until)))
			case <-ended:
				return
			}
		}
	})
	exercise(t, `{name: broker, driver: mqtt, mqtt: {address: "mqtt://`+b.Address()+`"}}`, map[string]string{
		"box-office": "driver: mqtt, controller: broker, mqtt: {prefix: playhouse/box-office, limit: 3s}",
	})
	close(ended)
	device.Wait()
	state, err := json.Marshal(full[mqtt.State](t))
	require.NoError(t, err)
	least, err := json.Marshal(mqtt.State{})
	require.NoError(t, err)
	compare(t, "mqtt.txt",
		got.String()+"\nall that a state may have\n"+string(state)+"\nwhat it always has\n"+string(least)+
			"\nresults\n"+strings.Join([]string{mqtt.ResultDone, mqtt.ResultRefused, mqtt.ResultFailed}, " ")+"\n")
}
