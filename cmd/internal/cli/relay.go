package cli

import (
	"context"
	"errors"
	"fmt"
	"net"
	"net/netip"
	"os"
	"os/signal"
	"runtime/debug"
	"slices"
	"strconv"
	"strings"
	"syscall"
	"time"

	"github.com/spf13/pflag"
	"go.uber.org/zap"

	"clearback/bridge/relay/agent"
	"clearback/bridge/relay/agent/agentmqtt"
	"clearback/bridge/relay/mqtt/broker"
	"clearback/bridge/relay/transport"
	"clearback/config"
	"clearback/supervision"
)

const (
	// relayReadyFor is how long the start waits for the outputs. The agent keeps trying those that hang.
	relayReadyFor = time.Second
	// relayEndFor is how long a shutdown waits for the outputs. It is our own figure, well below the service manager's
	// limit.
	relayEndFor = 3 * time.Second
	// relayGC is the garbage collector's percentage. It keeps the heap at 1 MB instead of 4, and so the process below
	// 15 MB. The agent allocates next to nothing.
	relayGC = 25
)

// relayAgent is the command `relay`, which serves the contacts of this machine.
func relayAgent(f *pflag.FlagSet) action {
	path := f.String("config", "", "the agent's `FILE`; deploy/relay.yaml shows every key")
	only := f.Bool("check", false, "check the file, show what the contacts do, and exit")
	closing := f.Bool("close", false, "close every contact and exit; the agent must not be running")
	within := spanFlag(f, "within", relayEndFor, relayEndFor.String(), "stop trying to --close after this `TIME`")
	return func(e *env, _ []string) int {
		switch {
		case *path == "":
			return e.fault("relay: name the agent's file with --config")
		case *only && *closing:
			return e.fault("relay: --check or --close, not both")
		case *closing:
			return e.relayClose(*path, within.Duration)
		}
		c, faults, err := config.LoadRelay(*path)
		if err != nil {
			return e.fault("%v", err)
		}
		if len(faults) > 0 {
			fmt.Fprint(e.Err, faults)
			return ExitFaults
		}
		if *only {
			for _, w := range c.PermissionWarnings(*path) {
				fmt.Fprintln(e.Out, "warning:", w)
			}
			for _, s := range describeRelay(c) {
				fmt.Fprintln(e.Out, s)
			}
			fmt.Fprintf(e.Out, "%s: no faults\n", *path)
			return ExitOK
		}
		log, end := newLogger(c.Log, e.Err)
		defer end()
		for _, s := range c.PermissionWarnings(*path) {
			log.Warn("file: " + s)
		}
		return e.relayServe(c, log)
	}
}

// relayClose is what a service manager runs after the agent has ended, for whatever reason.
func (e *env) relayClose(path string, within time.Duration) int {
	c, faults, err := config.LoadRelayForClosing(path)
	if err != nil {
		return e.fault("%v", err)
	}
	fmt.Fprint(e.Err, faults)
	if c == nil {
		return ExitFaults
	}
	ctx, cancel := e.within(within)
	defer cancel()
	left, err := closeOutputs(ctx, usableRelay(c))
	if err != nil {
		return e.failed(err)
	}
	switch {
	case len(left) > 0:
		for _, n := range left {
			fmt.Fprintf(e.Err, "clearback: not known closed: %s: %v\n", n.Contact, n.Err)
		}
		return ExitNotClosed
	case len(faults) > 0:
		fmt.Fprintln(e.Err, "clearback: the contacts that could be read from the file are closed; correct its faults")
		return ExitFaults
	}
	fmt.Fprintln(e.Out, "every contact is closed")
	return ExitOK
}

// closeRetryPause is the pause between attempts to close a contact that did not close, for example while a serial
// adapter is unplugged. It is the same as the agent's.
const closeRetryPause = 250 * time.Millisecond

// closeOutputs tries to close every contact until all are closed or ctx ends. It returns the contacts that are not
// closed.
func closeOutputs(ctx context.Context, c *config.Relay) ([]agent.NotClosed, error) {
	reasons := map[string]error{} // by contact, from the last attempt
	for {
		a, err := newAgent(c, func(agent.Notice) {})
		if err != nil {
			return nil, err
		}
		a.Start()
		a.Ready(ctx)
		left := a.Shutdown(ctx)
		if len(left) == 0 {
			return nil, nil
		}
		for i := range left { // an attempt that was cut short says less than the last full one
			if reason := reasons[left[i].Contact]; reason != nil && errors.Is(left[i].Err, agent.ErrHung) {
				left[i].Err = reason
			}
			reasons[left[i].Contact] = left[i].Err
		}
		pause := time.NewTimer(closeRetryPause)
		select {
		case <-ctx.Done():
			pause.Stop()
			return left, nil
		case <-pause.C:
		}
	}
}

// usableRelay returns a configuration with the contacts that can be closed. It drops faulty and duplicate contacts, and
// every setting that closing does not need.
func usableRelay(c *config.Relay) *config.Relay {
	u := &config.Relay{MaxInterval: agent.MostInterval, Watchdog: agent.DefaultWatchdog}
	taken := map[string]bool{}
	for _, k := range c.Contacts {
		if _, _, ok := output(k); ok && !taken[k.Name] && len(u.Contacts) < agent.MostContacts {
			u.Contacts = append(u.Contacts, k)
			taken[k.Name] = true
		}
	}
	return u
}

// newAgent makes the agent with its contacts.
func newAgent(c *config.Relay, notify func(agent.Notice)) (*agent.Agent, error) {
	a, err := agent.New(agent.Options{MaxInterval: c.MaxInterval, Watchdog: c.Watchdog,
		LeastClosed: supervision.LeastClosed, Notify: notify})
	if err != nil {
		return nil, err
	}
	for _, k := range c.Contacts {
		open, senses, _ := output(k)
		_, err := a.Contact(agent.ContactOptions{Name: k.Name, Open: open, Senses: senses,
			Simulated: k.Simulated != nil})
		if err != nil {
			return nil, err
		}
	}
	return a, nil
}

// relayServe serves the contacts until a signal.
func (e *env) relayServe(c *config.Relay, log *zap.Logger) int {
	began := time.Now()
	a, err := newAgent(c, relayNotices(log))
	if err != nil {
		log.Error("cannot start", zap.Error(err))
		return ExitFailed
	}
	code := ExitFailed
	a.Guard(func() { code = e.relayRun(c, a, log, began) })
	return code
}

func (e *env) relayRun(c *config.Relay, a *agent.Agent, log *zap.Logger, began time.Time) int {
	fatal := make(chan os.Signal, 1) // one signal is enough to end
	signal.Notify(fatal, fatalSignals()...)
	defer signal.Stop(fatal)
	defer debug.SetGCPercent(debug.SetGCPercent(relayGC))
	prepareProcess(a, log)
	server := agent.NewServer(a, agent.ServerOptions{AllowFrom: c.AllowFrom})
	face, err := relayBroker(c.MQTT, a, log)
	a.Start() // even after an error, so that the contacts are closed
	ctx, cancel := context.WithTimeout(context.Background(), relayReadyFor)
	for _, n := range a.Ready(ctx) {
		log.Error("a contact is not known closed; the agent keeps trying", zap.String("contact", n.Contact),
			zap.Error(n.Err))
	}
	cancel()
	for _, k := range c.Contacts {
		if k.Simulated != nil {
			log.Warn("SIMULATED: no real contact moves", zap.String("contact", k.Name))
		}
	}
	stop := server.Close
	if err == nil {
		stop, err = startRelayServers(c, a, server, face, log)
	}
	if err != nil {
		log.Error("cannot start", zap.Error(err))
		if end := e.relayEnd(a, stop, nil, log); end != ExitOK {
			return end
		}
		return ExitFailed
	}
	hardware, err := feedWatchdogs(c, a, log)
	if err != nil {
		log.Error("cannot start", zap.Error(err))
		if end := e.relayEnd(a, stop, nil, log); end != ExitOK {
			return end
		}
		return ExitFailed
	}
	if err := agent.LockMemory(); err != nil {
		log.Warn("memory is not locked; see LimitMEMLOCK= in deploy/clearback-relay.service", zap.Error(err))
	}
	log.Info("ready", zap.Int("contacts", len(c.Contacts)), zap.String("version", versionText()),
		zap.Duration("after", time.Since(began)))
	notify("READY=1")
	code := ExitOK
	select {
	case s := <-e.signals:
		log.Info("ending", zap.Stringer("signal", s))
	case s := <-fatal:
		a.Emergency()
		log.Error("ending on an unexpected signal", zap.Stringer("signal", s))
		code = ExitFailed
	}
	notify("STOPPING=1")
	if end := e.relayEnd(a, stop, hardware, log); end != ExitOK {
		code = end
	}
	return code
}

// fatalSignals returns the signals that would kill the process at once, except those that cannot be caught. (The
// runtime itself ignores SIGPROF.)
func fatalSignals() []os.Signal {
	return []os.Signal{
		syscall.SIGQUIT, syscall.SIGABRT, syscall.SIGSEGV, syscall.SIGBUS, syscall.SIGFPE, syscall.SIGILL,
		syscall.SIGSYS, syscall.SIGTRAP,
		syscall.SIGALRM, syscall.SIGVTALRM, syscall.SIGXCPU, syscall.SIGXFSZ, syscall.SIGUSR1, syscall.SIGUSR2,
	}
}

// prepareProcess checks that the process is in the real-time class, which keeps timers exact. The service manager sets
// the class.
func prepareProcess(a *agent.Agent, log *zap.Logger) {
	if !agent.RealTime() {
		a.SetHealth(agent.HealthClass, true)
		log.Warn("not in the real-time class: a busy processor makes openings longer; see CPUSchedulingPolicy= in deploy/clearback-relay.service")
	}
}

// startRelayServers begins to serve masters. stop ends whatever was started, also after an error.
func startRelayServers(c *config.Relay, a *agent.Agent, server *agent.Server, face *agentmqtt.Client,
	log *zap.Logger) (stop func(context.Context), err error) {
	stop = func(ctx context.Context) {
		server.Close(ctx)
		if face != nil {
			face.Close(ctx)
		}
	}
	if face != nil {
		face.Start()
	}
	if !c.Listen.IsValid() {
		return stop, nil
	}
	l, err := agent.Listen(c.Listen)
	if err != nil {
		return stop, fmt.Errorf("listen: %w; see listen: in the agent's file", err)
	}
	go a.Guard(func() {
		if err := server.Serve(l); err != nil {
			log.Error("serving Modbus TCP", zap.Error(err))
		}
	})
	log.Info("serving Modbus TCP", zap.Stringer("address", l.Addr()))
	if !isOurs(c.Listen.Addr()) {
		log.Warn("this machine does not have the address now; nobody can connect until it does",
			zap.Stringer("address", c.Listen.Addr()))
	}
	return stop, nil
}

// isOurs reports whether an address belongs to this machine. It returns true if the addresses cannot be listed.
func isOurs(a netip.Addr) bool {
	if a.IsUnspecified() || a.IsLoopback() {
		return true
	}
	all, err := net.InterfaceAddrs()
	if err != nil {
		return true
	}
	return slices.ContainsFunc(all, func(n net.Addr) bool {
		p, err := netip.ParsePrefix(n.String())
		return err == nil && p.Addr().Unmap() == a.Unmap()
	})
}

// relayBroker makes the client that serves the contacts at a broker. It returns nil if the file names no broker.
func relayBroker(m *config.RelayMQTT, a *agent.Agent, log *zap.Logger) (*agentmqtt.Client, error) {
	if m == nil {
		return nil, nil
	}
	return agentmqtt.New(a, agentmqtt.Options{
		Broker: broker.Options{
			Address: m.Address, User: m.User, Password: m.Password.Reveal(), Timeout: m.Timeout,
			TLS: transport.TLS{CA: m.CA, Certificate: m.Certificate, Key: m.Key},
		},
		Prefix: m.Prefix,
		Link: func(contact string, err error) {
			if err != nil {
				log.Error("not connected to the broker", zap.String("contact", contact), zap.Error(err))
				return
			}
			log.Info("connected to the broker", zap.String("contact", contact))
		},
	})
}

// feedWatchdogs feeds the machine's watchdog, if the file names one, and the service manager's, if it has one.
func feedWatchdogs(c *config.Relay, a *agent.Agent, log *zap.Logger) (*agent.HardwareWatchdog, error) {
	if every, ok := managerWatchdog(); ok {
		a.Feed(every, func() { notify("WATCHDOG=1") })
	}
	h := c.HardwareWatchdog
	if h == nil {
		a.SetHealth(agent.HealthWatchdog, true)
		return nil, nil
	}
	w, err := agent.OpenHardwareWatchdog(h.Device, h.Timeout)
	if err != nil {
		return nil, err
	}
	failing := false // used only by the goroutine that feeds
	a.Feed(w.Timeout()/4, func() {
		err := w.Feed()
		if err != nil && !failing {
			log.Error("the hardware watchdog cannot be fed", zap.Error(err))
		}
		failing = err != nil
		a.SetHealth(agent.HealthWatchdog, failing)
	})
	log.Info("feeding the hardware watchdog", zap.String("device", h.Device), zap.Duration("timeout", w.Timeout()))
	return w, nil
}

// managerWatchdog returns how often to feed the service manager's watchdog: every quarter of the time that it allows.
// See sd_watchdog_enabled(3).
func managerWatchdog() (every time.Duration, ok bool) {
	if pid := os.Getenv("WATCHDOG_PID"); pid != "" && pid != strconv.Itoa(os.Getpid()) {
		return 0, false
	}
	us, err := strconv.ParseInt(os.Getenv("WATCHDOG_USEC"), 10, 64)
	if err != nil || us < 1000 {
		return 0, false
	}
	return time.Duration(us) * time.Microsecond / 4, true
}

// relayEnd closes every contact first and then stops the servers. It stops the hardware watchdog only if every contact
// is closed. Otherwise the watchdog resets the machine, which is the last remedy.
func (e *env) relayEnd(a *agent.Agent, stop func(context.Context), h *agent.HardwareWatchdog, log *zap.Logger) int {
	ctx, cancel := context.WithTimeout(context.Background(), relayEndFor)
	defer cancel()
	left := a.Shutdown(ctx)
	stop(ctx)
	if len(left) > 0 {
		all := make([]string, len(left))
		for i, n := range left {
			all[i] = n.Contact
			log.Error("not known closed: go and look", zap.String("contact", n.Contact), zap.Error(n.Err))
		}
		return e.notClosed(strings.Join(all, ", "))
	}
	if h != nil {
		if err := h.Disarm(); err != nil {
			log.Warn("the hardware watchdog could not be stopped; it resets the machine if nothing feeds it",
				zap.Error(err))
		}
	}
	log.Info("ended, every contact is closed")
	return ExitOK
}

// relayNotices writes the agent's notices to the log.
func relayNotices(log *zap.Logger) func(agent.Notice) {
	return func(n agent.Notice) {
		fields := []zap.Field{zap.Error(n.Err)}
		if n.Contact != "" {
			fields = append(fields, zap.String("contact", n.Contact))
		}
		switch {
		case n.Kind == agent.OutputBack:
			log.Info(n.Kind.String(), fields...)
		case n.Kind == agent.OutputFailed || n.Kind == agent.WatchdogNotFed || errors.Is(n.Err, agent.ErrOutput):
			log.Error(n.Kind.String(), fields...)
		default:
			log.Warn(n.Kind.String(), fields...)
		}
	}
}
