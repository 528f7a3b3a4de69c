package relay

import (
	"fmt"
	"strings"
	"time"
)

// A Fault is one setting of a driver that is out of bounds, or that does not fit another. Drivers return their faults
// from Check. Package config adds the place in the file.
type Fault struct {
	// Key is the path of the key below the driver's settings in the configuration, such as "timed.limit" or
	// "headers[0].value". Empty means the settings as a whole.
	Key string
	// Problem says what is wrong, what is allowed and what to do. It never quotes a secret.
	Problem string
	// At is the key at whose place the fault is shown, if that is not Key.
	At string
	// Unless is a key. If that key is missing or its value could not be read, this fault only follows from that, and
	// package config does not report it.
	Unless string
}

// Missing returns the fault of a missing key. advice says what to do.
func Missing(key, advice string) Fault { return Fault{Key: key, Problem: "is missing; " + advice} }

// String returns "key: problem", or only the problem for the settings as a whole.
func (f Fault) String() string { return f.Below("") }

// Below returns the text of the fault, with path before Key. path is the place of the driver's settings.
func (f Fault) Below(path string) string {
	switch at := strings.Trim(path+"."+f.Key, "."); {
	case at == "":
		return f.Problem
	case strings.HasPrefix(f.Problem, "is missing"):
		return at + " " + f.Problem
	default:
		return at + ": " + f.Problem
	}
}

// FaultError returns an error that wraps kind and lists the faults of what, such as "line box-office". Without faults
// it returns nil.
func FaultError(kind error, what string, faults []Fault) error {
	if len(faults) == 0 {
		return nil
	}
	all := make([]string, len(faults))
	for i, f := range faults {
		all[i] = f.String()
	}
	return fmt.Errorf("%w: %s: %s", kind, what, strings.Join(all, "; "))
}

// Faults collects faults.
type Faults []Fault

// Add adds a fault of a key.
func (c *Faults) Add(key, format string, a ...any) {
	*c = append(*c, Fault{Key: key, Problem: fmt.Sprintf(format, a...)})
}

// Bounds of the settings that all drivers have. Our own numbers.
const (
	leastTimeout = 20 * time.Millisecond
	mostTimeout  = 10 * time.Second
	leastPoll    = 10 * time.Millisecond
)

// CheckTimes returns the faults of a driver's time-out and poll interval. 0 means the driver's default.
func CheckTimes(timeout, poll time.Duration) (f Faults) {
	if timeout != 0 && (timeout < leastTimeout || timeout > mostTimeout) {
		f.Add("timeout", "%v is out of range; allowed: %v to %v", timeout, leastTimeout, mostTimeout)
	}
	if poll != 0 && poll < leastPoll {
		f.Add("poll", "%v is out of range; allowed: %v or more", poll, leastPoll)
	}
	return f
}
