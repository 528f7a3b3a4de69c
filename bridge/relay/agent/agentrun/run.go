// Package agentrun runs the agent of `clearback relay`, and closes its contacts for `--close`.
// It opens the outputs that the agent's file names, closes them first, serves the masters, feeds the watchdogs, and
// closes every contact at the end.
//
//	run.go      start, signals and end
//	serve.go    Modbus TCP and the broker
//	watchdog.go the service manager's watchdog and the machine's
//	output.go   from the configuration to the outputs
//	close.go    `clearback relay --close`: closes the contacts without an agent
package agentrun

import (
	"context"
	"errors"
	"os"
	"os/signal"
	"runtime/debug"
	"syscall"
	"time"

	"go.uber.org/zap"

	"clearback/bridge/relay/agent"
	"clearback/bridge/relay/agent/agentmqtt"
	"clearback/config"
	"clearback/supervision"
)

const (
	// readyTimeout is how long the start waits for the outputs. The agent keeps trying those that hang.
	readyTimeout = time.Second
	// CloseTimeout is how long a shutdown waits for the outputs. It is our own figure, well below the service manager's
	// limit.
	CloseTimeout = 3 * time.Second
	// gcPercent is the garbage collector's percentage. It keeps the heap at 1 MB instead of 4, and so the process below
	// 15 MB. The agent allocates next to nothing.
	gcPercent = 25
)

// Options are the options of [Run].
type Options struct {
	// Version is the program's version, for the log.
	Version string
	// Logger is required.
	Logger *zap.Logger
	// Notify takes the states for the service manager, in the form of sd_notify(3). It is required, and several
	// goroutines may call it at the same time.
	Notify func(state string)
	// Watchdog is how often the service manager's watchdog is fed; 0 means never. It has to be at most a quarter of the
	// time that the service manager allows.
	Watchdog time.Duration
}

// process is the agent with everything that lives as long as it.
type process struct {
	c      *config.Relay
	o      Options
	log    *zap.Logger
	agent  *agent.Agent
	server *agent.Server

	broker   *agentmqtt.Client       // nil if the file names no broker
	hardware *agent.HardwareWatchdog // nil if none is fed
}

// Run serves the contacts of c until a signal. It returns the contacts that are not known to be closed. ok is false if
// the agent could not start, or if a signal that would kill the process ended it; the log says which. c must have no
// faults and must not be changed afterwards. Because Run catches the process's signals and sets its garbage collector,
// only one Run may be active at a time.
func Run(c *config.Relay, o Options, signals <-chan os.Signal) (left []agent.NotClosed, ok bool) {
	began := time.Now()
	a, err := newAgent(c, notices(o.Logger))
	if err != nil {
		o.Logger.Error("cannot start", zap.Error(err))
		return nil, false
	}
	p := &process{c: c, o: o, log: o.Logger, agent: a}
	a.Guard(func() { left, ok = p.run(signals, began) })
	return left, ok
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

func (p *process) run(signals <-chan os.Signal, began time.Time) (left []agent.NotClosed, ok bool) {
	fatal := make(chan os.Signal, 1) // one signal is enough to end
	signal.Notify(fatal, fatalSignals()...)
	defer signal.Stop(fatal)
	if err := p.start(); err != nil {
		p.log.Error("cannot start", zap.Error(err))
		return p.end(), false
	}
	if err := agent.LockMemory(); err != nil {
		p.log.Warn("memory is not locked; see LimitMEMLOCK= in deploy/clearback-relay.service", zap.Error(err))
	}
	p.log.Info("ready", zap.Int("contacts", len(p.c.Contacts)), zap.String("version", p.o.Version),
		zap.Duration("after", time.Since(began)))
	p.o.Notify("READY=1")
	// Not before: the garbage of the start is more than 1 MB, and a collection would delay READY=1 by milliseconds.
	defer debug.SetGCPercent(debug.SetGCPercent(gcPercent))
	select {
	case s := <-signals:
		p.log.Info("ending", zap.Stringer("signal", s))
		ok = true
	case s := <-fatal:
		p.agent.Emergency()
		p.log.Error("ending on an unexpected signal", zap.Stringer("signal", s))
	}
	p.o.Notify("STOPPING=1")
	return p.end(), ok
}

// fatalSignals returns the signals that would kill the process at once, except those that cannot be caught, and except
// SIGUSR2, which main passes on. (The runtime itself ignores SIGPROF.)
func fatalSignals() []os.Signal {
	return []os.Signal{
		syscall.SIGQUIT, syscall.SIGABRT, syscall.SIGSEGV, syscall.SIGBUS, syscall.SIGFPE, syscall.SIGILL,
		syscall.SIGSYS, syscall.SIGTRAP,
		syscall.SIGALRM, syscall.SIGVTALRM, syscall.SIGXCPU, syscall.SIGXFSZ, syscall.SIGUSR1,
	}
}

// start closes the contacts and begins to serve. It starts the agent even after an error, so that the contacts are
// closed. The caller must call end, also after an error.
func (p *process) start() error {
	// The service manager sets the class, which keeps timers exact.
	if !agent.RealTime() {
		p.agent.SetHealth(agent.HealthClass, true)
		p.log.Warn("not in the real-time class: a busy processor makes openings longer; see CPUSchedulingPolicy= in deploy/clearback-relay.service")
	}
	p.server = agent.NewServer(p.agent, agent.ServerOptions{AllowFrom: p.c.AllowFrom})
	err := p.newBroker()
	p.agent.Start()
	ctx, cancel := context.WithTimeout(context.Background(), readyTimeout)
	defer cancel()
	for _, n := range p.agent.Ready(ctx) {
		p.log.Error("a contact is not known closed; the agent keeps trying", zap.String("contact", n.Contact),
			zap.Error(n.Err))
	}
	for _, k := range p.c.Contacts {
		if k.Simulated != nil {
			p.log.Warn("SIMULATED: no real contact moves", zap.String("contact", k.Name))
		}
	}
	if err != nil {
		return err
	}
	if err := p.serve(); err != nil {
		return err
	}
	return p.feedWatchdogs()
}

// end closes every contact first and then stops the servers. It stops the hardware watchdog only if every contact is
// closed. Otherwise the watchdog resets the machine, which is the last remedy.
func (p *process) end() []agent.NotClosed {
	ctx, cancel := context.WithTimeout(context.Background(), CloseTimeout)
	defer cancel()
	left := p.agent.Shutdown(ctx)
	p.server.Close(ctx)
	if p.broker != nil {
		p.broker.Close(ctx)
	}
	if len(left) > 0 {
		for _, n := range left {
			p.log.Error("not known closed: go and look", zap.String("contact", n.Contact), zap.Error(n.Err))
		}
		return left
	}
	if p.hardware != nil {
		if err := p.hardware.Disarm(); err != nil {
			p.log.Warn("the hardware watchdog could not be stopped; it resets the machine if nothing feeds it",
				zap.Error(err))
		}
	}
	p.log.Info("ended, every contact is closed")
	return nil
}

// notices writes the agent's notices to the log.
func notices(log *zap.Logger) func(agent.Notice) {
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
