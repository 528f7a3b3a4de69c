package setup

import (
	"cmp"
	"errors"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"
)

// stage is how much of the last line's contact the text has.
type stage int

const (
	noContact stage = iota
	readOnly        // the contact can be closed and read; the loop is never opened (life_safety)
	complete
)

// text returns the configuration file with lines first to end-1. What is not answered yet gets a value without faults.
// sealed returns where a secret is, as the file writes it.
func (s *setup) text(first, end int, last stage, sealed func(name string) string) string {
	var b strings.Builder
	put := func(format string, a ...any) { fmt.Fprintf(&b, format+"\n", a...) }
	put("# Written by `clearback setup`. deploy/clearback.yaml explains every key; `clearback check` reports every fault.")
	put("country: %q # whose emergency numbers count", cmp.Or(s.kept["country"], "GB"))
	put("sip:")
	put("  adapter_side: {listen: %q} # the adapter's SIP server", cmp.Or(s.kept["address"], "192.0.2.10:5060"))
	put("  service_side: {listen: %q} # towards the PBX or provider", cmp.Or(s.kept["service-side"], "192.0.2.10:5070"))
	var boards []string
	for i := first; i < end; i++ {
		board := s.of(i, "relay", "none")
		if i == end-1 && last == noContact || board == "none" || slices.Contains(boards, board) {
			continue
		}
		if boards = append(boards, board); len(boards) == 1 {
			put("controllers: # the relay boards")
		}
		put("  - {name: relays-%d, driver: modbus, modbus: {address: %q}}", len(boards), board)
	}
	put("lines:")
	for i := first; i < end; i++ {
		name := s.of(i, "line", fmt.Sprintf("line-%d", i+1))
		put("  - name: %q", name)
		put("    adapter: {user: %q, password: %s}", name, sealed(name+suffixes["adapter-password"]))
		put("    service:")
		put("      registrar: %q", cmp.Or(s.kept["server"], "sip:pbx.millrace.example"))
		put("      user: %q", s.of(i, "user", fmt.Sprintf("user-%d", i+1)))
		put("      password: %s", sealed(name+suffixes["password"]))
		board := slices.Index(boards, s.of(i, "relay", "none"))
		if board < 0 || i == end-1 && last == noContact {
			put("    contact: {driver: none} # the daemon only logs when it would open the loop")
			continue
		}
		put("    contact: {driver: modbus, controller: relays-%d, coil: %s, %s}", board+1, s.of(i, "contact", "0"),
			opening(s.of(i, "timed", "accept"), s.of(i, "contact", "0")))
		if i == end-1 && last == readOnly {
			put("    policy: {life_safety: true}")
		} else {
			put("    policy: {interval: 800ms} # the default; `clearback tune %s` finds the right one", name)
		}
	}
	return b.String()
}

// of returns an answer about a line.
func (s *setup) of(line int, key, otherwise string) string {
	return cmp.Or(s.kept[fmt.Sprintf("%d.%s", line, key)], otherwise)
}

// opening returns the keys that say how an opening ends, from an answer that timedOutput accepts.
func opening(timed, coil string) string {
	register, unit, _ := strings.Cut(timed, "/")
	switch register {
	case "accept":
		return "accept_open_if_daemon_dies: true"
	case "agent": // two registers a contact: the comment of bridge/relay/agent has the map
		n, _ := strconv.Atoi(coil) // checked by number
		return fmt.Sprintf("timed: {register: %d, sequence: true, unit: 1ms, limit: 3s}", 2*n)
	}
	return fmt.Sprintf("timed: {register: %s, unit: %s, limit: 3s}", register, unit)
}

// timedOutput checks the answer that [opening] takes.
func timedOutput(v string) (string, error) {
	if v == "agent" || v == "accept" {
		return v, nil
	}
	register, unit, _ := strings.Cut(v, "/")
	unit = cmp.Or(unit, "100ms")
	register, err := number(register)
	if _, wrong := time.ParseDuration(unit); err != nil || wrong != nil {
		return "", errors.New("write a register such as 16 or 16/100ms, agent, or accept")
	}
	return register + "/" + unit, nil
}

func number(v string) (string, error) {
	n, err := strconv.ParseUint(v, 10, 16)
	if err != nil {
		return "", errors.New("write a number from 0 to 65535")
	}
	return strconv.FormatUint(n, 10), nil
}
