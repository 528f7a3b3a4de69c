// Package brokertest starts a real MQTT broker for tests: Debian's mosquitto. The tests so have another implementation
// read our packets.
package brokertest

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"sync"
	"syscall"
	"testing"
	"time"

	"clearback/bridge/programtest"
)

// Anybody is the configuration of a broker that accepts clients without a password.
const Anybody = "listener %d 127.0.0.1\nallow_anonymous true\n"

// Broker is a running mosquitto.
type Broker struct {
	cmd  *exec.Cmd
	conf string
	port int
	// portSocket is bound to the port and never listens. It keeps the port reserved while the broker is stopped.
	portSocket int
}

func find() (string, error) {
	if path, err := exec.LookPath("mosquitto"); err == nil {
		return path, nil
	}
	return exec.LookPath("/usr/sbin/mosquitto") // Debian installs it there, which is often not in a user's PATH
}

// Tools skips a test if mosquitto or one of the named programs is missing. Where such programs are required (package
// programtest), it fails the test instead.
func Tools(t testing.TB, programs ...string) {
	t.Helper()
	if _, err := find(); err != nil {
		programtest.Missing(t, "mosquitto", "mosquitto")
	}
	for _, p := range programs {
		programtest.Need(t, p, p)
	}
}

// Shared returns two functions. The first starts a broker on its first call and returns that broker on every call. The
// second stops it.
func Shared() (func() (*Broker, error), func()) {
	var dir string
	start := sync.OnceValues(func() (*Broker, error) {
		var err error
		if dir, err = os.MkdirTemp("", "clearback-mqtt"); err != nil {
			return nil, err
		}
		return Start(dir, Anybody)
	})
	var asked sync.Mutex
	var b *Broker
	return func() (*Broker, error) {
			asked.Lock()
			defer asked.Unlock()
			var err error
			b, err = start()
			return b, err
		}, func() {
			asked.Lock()
			defer asked.Unlock()
			if b != nil {
				b.End()
			}
			if dir != "" {
				os.RemoveAll(dir)
			}
		}
}

// Start starts a broker with its configuration file in dir. In the settings, %d stands for the port.
func Start(dir, settings string) (*Broker, error) {
	b := &Broker{conf: filepath.Join(dir, "mosquitto.conf")}
	if err := b.takePort(); err != nil {
		return nil, err
	}
	text := "user root\npersistence false\nset_tcp_nodelay true\nlog_type none\n" + fmt.Sprintf(settings, b.port)
	if err := os.WriteFile(b.conf, []byte(text), 0o600); err != nil {
		return nil, err
	}
	return b, b.Restart()
}

// takePort reserves a free port. The broker can listen on it in spite of the socket, since both have SO_REUSEADDR.
func (b *Broker) takePort() error {
	fd, err := syscall.Socket(syscall.AF_INET, syscall.SOCK_STREAM|syscall.SOCK_CLOEXEC, 0)
	if err != nil {
		return os.NewSyscallError("socket", err)
	}
	b.portSocket = fd
	err = errors.Join(syscall.SetsockoptInt(fd, syscall.SOL_SOCKET, syscall.SO_REUSEADDR, 1),
		syscall.Bind(fd, &syscall.SockaddrInet4{Addr: [4]byte{127, 0, 0, 1}}))
	if err != nil {
		return os.NewSyscallError("bind", err)
	}
	at, err := syscall.Getsockname(fd)
	if err != nil {
		return os.NewSyscallError("getsockname", err)
	}
	b.port = at.(*syscall.SockaddrInet4).Port
	return nil
}

// End stops the broker and releases its port.
func (b *Broker) End() {
	b.Stop()
	_ = syscall.Close(b.portSocket) // nothing was written
}

// Own starts a broker for one test.
func Own(t testing.TB, settings string) *Broker {
	t.Helper()
	Tools(t)
	b, err := Start(t.TempDir(), settings)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(b.End)
	return b
}

// Restart starts the broker after Stop, on the same port.
func (b *Broker) Restart() error {
	path, err := find()
	if err != nil {
		return err
	}
	b.cmd = exec.Command(path, "-c", b.conf)
	if err := b.cmd.Start(); err != nil {
		return err
	}
	tick := time.NewTicker(2 * time.Millisecond)
	defer tick.Stop()
	for end := time.Now().Add(5 * time.Second); time.Now().Before(end); <-tick.C {
		c, err := net.Dial("tcp", b.Address())
		if err == nil {
			return c.Close()
		}
	}
	b.Stop()
	return errors.New("mosquitto does not listen")
}

// Address returns host:port.
func (b *Broker) Address() string { return fmt.Sprintf("127.0.0.1:%d", b.port) }

// Port returns the broker's port.
func (b *Broker) Port() int { return b.port }

// Ping connects by MQTT 3.1.1 and waits at most 5 s for the broker's answer. The duration of the call shows how late
// the broker is.
func (b *Broker) Ping() {
	c, err := net.DialTimeout("tcp", b.Address(), 5*time.Second)
	if err != nil {
		return // the broker is stopped
	}
	defer c.Close()
	_ = c.SetDeadline(time.Now().Add(5 * time.Second)) // fails only on a closed connection
	if _, err := c.Write([]byte("\x10\x0c\x00\x04MQTT\x04\x02\x00\x3c\x00\x00")); err == nil {
		var answer [4]byte
		_, _ = io.ReadFull(c, answer[:])
	}
}

// Signal sends the broker a signal.
func (b *Broker) Signal(s os.Signal) error { return b.cmd.Process.Signal(s) }

// Stop kills the broker, as a power cut would.
func (b *Broker) Stop() {
	_ = b.cmd.Process.Kill() // it may have ended
	_ = b.cmd.Wait()
}

// Link is a network link to a broker that can be cut.
type Link struct {
	mu    sync.Mutex
	cut   bool
	conns []net.Conn
}

// Dial makes a connection.
func (l *Link) Dial(ctx context.Context, address string) (net.Conn, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.cut {
		return nil, errors.New("brokertest: the link is cut")
	}
	var d net.Dialer
	c, err := d.DialContext(ctx, "tcp", address)
	if err == nil {
		l.conns = append(l.conns, c)
	}
	return c, err
}

// Cut ends all connections and allows no other until Restore.
func (l *Link) Cut() {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.cut = true
	for _, c := range l.conns {
		_ = c.Close() // it may have ended
	}
	l.conns = nil
}

// Restore allows connections again.
func (l *Link) Restore() {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.cut = false
}
