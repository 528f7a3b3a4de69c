package setup

import (
	"cmp"
	"context"
	"crypto/rand"
	"errors"
	"fmt"
	"math"
	"net"
	"net/netip"
	"os"
	"strings"
	"syscall"
	"time"

	"clearback/bridge/daemon"
	"clearback/config"
	"clearback/supervision/sanitize"
)

const (
	// sipPort is SIP's own (RFC 3261 section 19.1.2). The other side listens sideStep above the adapter's.
	sipPort, sideStep = 5060, 10
	// answerTimeout bounds a REGISTER: timer F of RFC 3261 ends it after 32 s.
	answerTimeout = 40 * time.Second
	// lookTimeout bounds a question to DNS and a connection to a relay board.
	lookTimeout = 5 * time.Second
	// challengeTime is ample for an adapter's answer to a challenge, settleTime for a controller's first connection.
	challengeTime, settleTime = 300 * time.Millisecond, time.Second
	// lookEvery is the time between two looks at the daemon.
	lookEvery = 50 * time.Millisecond
	// hintAfter is when an adapter that sends nothing deserves advice.
	hintAfter = 20 * time.Second
	// mostText is the longest text of a peer that is shown, in characters.
	mostText = 200
)

// unproved is the error of answers that a proof has refused.
type unproved struct {
	error
	silent bool // nobody answered
}

// centreUntil is the key of the time until which an emergency centre may call back, after a call during setup.
const centreUntil = "emergency-centre-until"

// serve starts the daemon, and ends it after the look. The adapter reaches it only in the stage withAdapter. Calls pass
// then, and the end waits for emergency calls.
func (s *setup) serve(ctx context.Context, at stage, look func(*daemon.Line) error) error {
	unknown := rand.Text() // the adapter has no password yet
	c, faults := config.Parse(s.o.Path, []byte(s.text(at, asCredential)), config.Env{
		Getenv: func(string) (string, bool) { return "", false }, ReadFile: os.ReadFile,
		Credential: func(name string) ([]byte, string, error) {
			key := "password"
			if strings.HasSuffix(name, suffixes["adapter-password"]) {
				key = "adapter-password"
			}
			return []byte(cmp.Or(s.secrets[key], unknown)), "", nil
		},
	})
	if len(faults) > 0 { // the problem names the key
		return fmt.Errorf("these answers do not fit together: %s", faults[0].Problem)
	}
	c.Journal.File, c.Control.Socket = "", ""
	if at != withAdapter { // a call of the adapter goes to its second server at once
		c.SIP.AdapterSide.Listen = netip.MustParseAddrPort("127.0.0.1:0")
	}
	if at == withContact || at == noAccount { // no call comes, and the line needs no registration
		c.Lines[0].Service.Register = false
		c.Lines[0].Service.AllowFrom = []netip.Prefix{netip.MustParsePrefix("127.0.0.1/32")}
	}
	d, err := s.o.Start(c)
	// If this process starts another one, that holds the sockets of the proof before until its exec.
	for began := time.Now(); errors.Is(err, syscall.EADDRINUSE) && time.Since(began) < settleTime && wait(ctx) == nil; {
		d, err = s.o.Start(c)
	}
	if err != nil {
		return err
	}
	w := s.watch(ctx, d, c.Lines[0].Policy.CallbackWindow)
	err = look(d.Line(c.Lines[0].Name))
	close(w.ending)
	hurry, cancel := s.o.Hurry()
	defer cancel()
	left := daemon.NotClosed(d.Shutdown(hurry))
	close(w.ended)
	if kept := <-w.kept; left != nil || kept != nil {
		return errors.Join(left, kept, err)
	}
	return err
}

// watching is what watches for emergency calls while a daemon runs.
type watching struct {
	ending, ended chan struct{} // closed when the daemon begins to end, and when it has ended
	kept          chan error    // one error, or nil
}

// watch notes until when an emergency centre may call back, so that it outlasts setup. While the end of the daemon
// waits for a call, the person reads why.
func (s *setup) watch(ctx context.Context, d *daemon.Daemon, window time.Duration) *watching {
	w := &watching{ending: make(chan struct{}), ended: make(chan struct{}), kept: make(chan error, 1)}
	go func() {
		var noted time.Time
		var err error
		up, said := false, ""
		for last := false; !last; {
			select {
			case <-w.ended:
				last = true
			case <-time.After(lookEvery):
			}
			was := up
			up = d.EmergencyUp()
			if now := time.Now(); up && now.Sub(noted) > time.Minute || was && (!up || last) {
				noted = now
				err = errors.Join(err, s.keep(centreUntil, now.Add(window).Format(time.RFC3339)))
			}
			select {
			case <-w.ending:
			default:
				continue
			}
			words := "An emergency call is up. Setup goes on when it ends. Ctrl-C ends setup then."
			if ctx.Err() != nil {
				words = "An emergency call is up. Setup ends when it ends. A second Ctrl-C cuts it off."
			}
			if up && !last && words != said {
				s.person.Say("%s", "\n"+words)
				said = words
			}
		}
		w.kept <- err
	}()
	return w
}

// askService reports whether a SIP server answers.
func (s *setup) askService(ctx context.Context, l *daemon.Line) error {
	code, err := l.SIP().AskService(ctx)
	if err != nil {
		return &unproved{fmt.Errorf("nobody answers at %s: %w", s.kept["server"], err), true}
	}
	s.person.Say("  The server answers (%d).", code)
	return nil
}

// awaitService waits until the service has answered the daemon's REGISTER.
func (s *setup) awaitService(ctx context.Context, l *daemon.Line) error {
	ctx, cancel := context.WithTimeoutCause(ctx, answerTimeout,
		&unproved{errors.New("NOT registered: nobody answers"), true})
	defer cancel()
	for {
		switch at := l.SIP().Status().Service; {
		case at.Registered:
			s.person.Say("  Registered until %s.", at.Until.Format(time.TimeOnly))
			return nil
		case at.Problem != "":
			return &unproved{fmt.Errorf("NOT registered: %s", sanitize.Text(at.Problem, mostText)), at.Silent}
		}
		if wait(ctx) != nil {
			return context.Cause(ctx)
		}
	}
}

// awaitAdapter says what to type into the adapter, waits until it has registered, and shows each kind of failed attempt
// once.
func (s *setup) awaitAdapter(ctx context.Context, l *daemon.Line, secretFile string) error {
	ctx, cancel := context.WithTimeoutCause(ctx, s.o.Wait,
		fmt.Errorf("the adapter has not registered within %v; run setup again when it is ready", s.o.Wait))
	defer cancel()
	user, began, shown := l.Config().Adapter.User, time.Now(), ""
	at := l.SIP().Status().AdapterAddr
	s.person.Say("\nType this into the adapter, on the page of the port that leads to the line:\n  SIP server (registrar) and outbound proxy: %s\n  port: %d\n  user, and user for authentication: %s\n  password: the one in %s\n  second (backup) server: the PBX or provider\n  call waiting, hook flash, three-way calls, pulse dialling: off\nSave it there. Waiting at most %v for its registration.",
		at.Addr(), at.Port(), user, secretFile, s.o.Wait)
	for {
		at := l.SIP().Status()
		if at.Bound {
			s.person.Say("  The adapter has registered from %s.", at.Binding.Destination)
			return nil
		}
		words := ""
		if r := at.Refusal; !r.At.IsZero() && time.Since(r.At) > challengeTime {
			words = fmt.Sprintf("Refused: the adapter at %s as user %q: %s", r.From.Addr(), r.User, r.Why)
			if r.User != user {
				words += "; the user has to be " + user
			}
		} else if shown == "" && time.Since(began) > hintAfter {
			words = "Nothing has come yet. Are server and port right, and is no firewall between (UDP and TCP)?"
		}
		if words != "" && words != shown {
			s.person.Say("  %s", words)
			shown = words
		}
		if wait(ctx) != nil {
			return context.Cause(ctx)
		}
	}
}

// readContact closes the contact and reads it back.
func (s *setup) readContact(ctx context.Context, l *daemon.Line) error {
	words, good := s.o.Contact(ctx, l)
	for began := time.Now(); !good && time.Since(began) < settleTime && wait(ctx) == nil; {
		words, good = s.o.Contact(ctx, l)
	}
	if !good {
		return fmt.Errorf("contact: %s; run setup again: it asks for the relay again", sanitize.Text(words, mostText))
	}
	s.person.Say("  Contact: %s.", sanitize.Text(words, mostText))
	return nil
}

// wait waits for a moment before the next look.
func wait(ctx context.Context) error {
	select {
	case <-ctx.Done():
		return ctx.Err()
	case <-time.After(lookEvery):
		return nil
	}
}

// routeTo returns this machine's address towards a service.
func routeTo(ctx context.Context, registrar string) (netip.Addr, error) {
	ctx, cancel := context.WithTimeout(ctx, lookTimeout)
	defer cancel()
	host, _, _ := strings.Cut(strings.TrimPrefix(registrar, "sip:"), ";")
	if name, _, err := net.SplitHostPort(host); err == nil {
		host = name
	}
	host = strings.Trim(host, "[]")
	if _, err := netip.ParseAddr(host); err != nil {
		if _, services, err := net.DefaultResolver.LookupSRV(ctx, "sip", "udp", host); err == nil && len(services) > 0 {
			host = services[0].Target
		}
	}
	// A socket of UDP has a route as soon as it is connected. Nothing is sent.
	conn, err := (&net.Dialer{}).DialContext(ctx, "udp", net.JoinHostPort(host, fmt.Sprint(sipPort)))
	if err != nil {
		return netip.Addr{}, fmt.Errorf("there is no way to %q: %w; check the spelling and the network", host, err)
	}
	defer conn.Close()
	at, err := netip.ParseAddrPort(conn.LocalAddr().String())
	return at.Addr().Unmap(), err
}

// sockets returns the daemon's sockets: the one that the person names, by an address and perhaps a port, and the one
// towards the service. It listens at both for a moment.
func sockets(v string, route netip.Addr) (adapter, service netip.AddrPort, err error) {
	if adapter, err = netip.ParseAddrPort(v); err != nil {
		addr, wrong := netip.ParseAddr(v)
		if wrong != nil {
			return adapter, service, fmt.Errorf("%q is not an IP address", v)
		}
		adapter = netip.AddrPortFrom(addr, sipPort)
	}
	if most := math.MaxUint16 - sideStep; adapter.Port() == 0 || int(adapter.Port()) > most {
		return adapter, service, fmt.Errorf("the port must be from 1 to %d: the one towards the service is %d higher", most,
			sideStep)
	}
	if route.IsLoopback() && adapter.Addr().IsLoopback() { // all of them are one network
		route = adapter.Addr()
	}
	service = netip.AddrPortFrom(route, adapter.Port()+sideStep)
	for _, at := range []netip.AddrPort{adapter, service} {
		u, err := net.ListenUDP("udp", net.UDPAddrFromAddrPort(at))
		if err == nil {
			_ = u.Close()
			var l net.Listener
			if l, err = net.ListenTCP("tcp", net.TCPAddrFromAddrPort(at)); err == nil {
				_ = l.Close()
			}
		}
		if err != nil {
			return adapter, service, fmt.Errorf("this machine cannot listen there: %w. If the port is in use: does clearback run (systemctl stop clearback), or a PBX? Stop it, or write another port behind the address", err)
		}
	}
	return adapter, service, nil
}

// reachable connects to a relay board.
func reachable(v string) (string, error) {
	if v == "none" {
		return v, nil
	}
	if _, _, err := net.SplitHostPort(v); err != nil {
		v = net.JoinHostPort(strings.Trim(v, "[]"), "502") // the port of Modbus
	}
	_, port, _ := net.SplitHostPort(v)
	if n, err := number(port); err != nil || n == "0" {
		return "", fmt.Errorf("%q is not a port; write host:port, such as 192.0.2.30:502", port)
	}
	conn, err := net.DialTimeout("tcp", v, lookTimeout)
	if err != nil {
		return "", fmt.Errorf("no board answers: %w", err)
	}
	return v, conn.Close()
}
