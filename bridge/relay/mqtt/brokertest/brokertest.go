// Package brokertest starts a real MQTT broker for tests: mosquitto, Debian's, so that what we say is read by a program
// that is not ours.
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

// Anybody is the setting of a broker that asks nobody who he is.
const Anybody = "listener %d 127.0.0.1\nallow_anonymous true\n"

// Broker is a running mosquitto.
type Broker struct {
	cmd        *exec.Cmd
	conf       string
	port       int
	portSocket int // a socket that is bound to the port and never listens: nobody else is given it while the broker is away
}

func find() (string, error) {
	if path, err := exec.LookPath("mosquitto"); err == nil {
		return path, nil
	}
	return exec.LookPath("/usr/sbin/mosquitto") // where Debian puts it, and users often do not look
}

// Tools skips a test where mosquitto, or one of the programs named, is missing, and fails it where tools are
// compulsory.
func Tools(t testing.TB, programs ...string) {
	t.Helper()
	if _, err := find(); err != nil {
		programtest.Missing(t, "mosquitto", "mosquitto")
	}
	for _, p := range programs {
		programtest.Need(t, p, p)
	}
}

// Shared starts one broker for anybody, when first asked; the second function ends it.
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

// Start starts a broker with its file in a directory. In the settings %d is the port.
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

// takePort finds a port, and keeps it. The broker can listen there beside the socket, since both have SO_REUSEADDR.
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

// End stops the broker for good, and gives its port up.
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

// Restart starts it after Stop, on the same port.
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

// Address is host:port.
func (b *Broker) Address() string { return fmt.Sprintf("127.0.0.1:%d", b.port) }

// Port is its port.
func (b *Broker) Port() int { return b.port }

// Ping makes a connection by MQTT 3.1.1 and waits for the broker's word: how long that takes tells how late the broker
// is. It waits 5 s at most.
func (b *Broker) Ping() {
	c, err := net.DialTimeout("tcp", b.Address(), 5*time.Second)
	if err != nil {
		return // it is stopped
	}
	defer c.Close()
	_ = c.SetDeadline(time.Now().Add(5 * time.Second)) // fails only on a closed connection, and so does the rest
	if _, err := c.Write([]byte("\x10\x0c\x00\x04MQTT\x04\x02\x00\x3c\x00\x00")); err == nil {
		var answer [4]byte
		_, _ = io.ReadFull(c, answer[:])
	}
}

// Signal sends it a signal.
func (b *Broker) Signal(s os.Signal) error { return b.cmd.Process.Signal(s) }

// Stop kills it, as a power cut would.
func (b *Broker) Stop() {
	_ = b.cmd.Process.Kill() // it may have ended
	_ = b.cmd.Wait()
}

// Link is the way to a broker, which can be cut.
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
