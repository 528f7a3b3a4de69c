//go:build unix

package vm

import (
	"flag"
	"fmt"
	"os"
	"strings"
	"testing"
	"time"
)

var inVM = flag.Bool("vm", false, "start virtual machines")

// TestVM checks that status, environment, arguments and files are passed, that the monitor reads a port's register, and
// that the power can be cut.
func TestVM(t *testing.T) {
	if !*inVM {
		t.Skip("starts virtual machines only with -vm")
	}
	here := Build(t, "test", "-c", ".")
	file := t.TempDir() + "/note"
	if err := os.WriteFile(file, []byte("from the outside"), 0o600); err != nil {
		t.Fatal(err)
	}
	t.Run("status", func(t *testing.T) {
		o := Options{Env: []string{"STATUS=7", "WORD=it's $HOME"}, Files: map[string]string{file: "/etc/note"}}
		m := Start(t, o, here, "-test.run", "^TestInside$")
		if s := m.Wait(); s != 7 || !strings.Contains(m.Output(), `"it's $HOME" "from the outside"`) {
			t.Fatalf("status %d:\n%s", s, m.Output())
		}
	})
	t.Run("power", func(t *testing.T) {
		m := Start(t, Options{}, here, "-test.run", "^TestInside$")
		m.Await(t, "inside", time.Minute)
		if s, err := m.Monitor("i /b 0x2fc"); err != nil || !strings.HasPrefix(s, "portb[0x02fc] = 0x") {
			t.Fatalf("%q, %v", s, err)
		}
		m.CutPower()
		if s := m.Wait(); s != StatusTimeout {
			t.Fatalf("status %d:\n%s", s, m.Output())
		}
	})
	t.Run("time", func(t *testing.T) {
		if s := Start(t, Options{Timeout: time.Second}, here, "-test.run", "^TestInside$").Wait(); s != StatusTimeout {
			t.Fatalf("status %d", s)
		}
	})
}

// TestInside runs in the machine.
func TestInside(t *testing.T) {
	if !Inside() {
		t.Skip("runs in the virtual machine")
	}
	note, _ := os.ReadFile("/etc/note")
	fmt.Printf("inside %q %q\n", os.Getenv("WORD"), note)
	if os.Getenv("STATUS") == "7" {
		os.Exit(7)
	}
	select {} // until the power is cut
}
