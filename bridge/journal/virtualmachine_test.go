package journal

import (
	"database/sql"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"time"

	"go.uber.org/zap"
	"golang.org/x/sys/unix"
)

// virtualMachineEnv is set on the kernel's command line if this program is the first process of a virtual machine.
const virtualMachineEnv = "CLEARBACK_TEST_JOURNAL_GUEST"

// virtualMachine writes to the journal on the machine's disk until the power is cut, and prints what is committed.
// Elsewhere it returns false.
func virtualMachine() bool {
	if os.Getenv(virtualMachineEnv) == "" || os.Getpid() != 1 {
		return false
	}
	if err := prepareGuest(); err != nil {
		fmt.Println("guest:", err)
		os.Exit(1)
	}
	j := Open(Options{Path: "/disk/journal.db", Version: "guest", Logger: zap.Must(zap.NewDevelopment())})
	nowhere, err := os.OpenFile("/dev/null", os.O_WRONLY, 0)
	if err != nil {
		fmt.Println("guest:", err)
		os.Exit(1)
	}
	go appendForever(j, nowhere)
	printCommitted()
	return true
}

func prepareGuest() error {
	if err := loadModules(); err != nil {
		return err
	}
	for _, dir := range []string{"/dev", "/disk", "/tmp", "/proc"} {
		if err := os.MkdirAll(dir, 0o755); err != nil {
			return err
		}
	}
	err := unix.Mount("dev", "/dev", "devtmpfs", 0, "")
	if err != nil && err != unix.EBUSY {
		return fmt.Errorf("mount /dev: %w", err)
	}
	for range 200 {
		if err = unix.Mount("/dev/vda", "/disk", "ext4", 0, ""); err == nil {
			return nil
		}
		<-time.After(50 * time.Millisecond) // the disk may not have appeared yet
	}
	return fmt.Errorf("mount the disk: %w", err)
}

// loadModules loads the kernel's modules. Each pass loads those whose dependencies are loaded.
func loadModules() error {
	left, err := filepath.Glob("/modules/*.ko")
	for n := -1; err == nil && len(left) > 0 && len(left) != n; {
		n = len(left)
		left = slices.DeleteFunc(left, func(m string) bool {
			var f *os.File
			if f, err = os.Open(m); err != nil {
				return false
			}
			defer f.Close()
			return unix.FinitModule(int(f.Fd()), "", 0) == nil
		})
	}
	if len(left) > 0 {
		fmt.Println("guest: not loaded:", left)
	}
	return err
}

// printCommitted prints the largest id that another connection sees. With synchronous = FULL that connection sees only
// what is synced.
func printCommitted() {
	var db *sql.DB
	for last := int64(0); ; <-time.After(10 * time.Millisecond) {
		if db == nil {
			if _, err := os.Stat("/disk/journal.db"); err != nil {
				continue
			}
			db, _ = sql.Open("sqlite", dsn("/disk/journal.db", "mode=ro&_pragma=busy_timeout(1000)"))
		}
		var now int64
		if err := db.QueryRow(topQuery).Scan(&now); err == nil && now > last {
			last = now
			fmt.Println("committed", last)
		}
	}
}

const topQuery = `SELECT coalesce(max(max(coalesce((SELECT max(id) FROM events WHERE line = l.id), 0), coalesce((SELECT max(id) FROM effects WHERE line = l.id), 0))), 0) FROM lines l`
