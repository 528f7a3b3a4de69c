package setup

import (
	"cmp"
	"errors"
	"fmt"
	"strconv"
	"strings"
	"time"
)

// stage is what a proof needs, and how much of the contact the text has.
type stage int

const (
	noAccount   stage = iota // the server alone: the line does not register
	noContact                // the account alone: nobody can call in from the adapter's side
	withAdapter              // the adapter too
	withContact              // the contact alone; the loop is never opened (life_safety)
	complete                 // the file as it is written
)

// text returns the configuration file. What is not answered yet gets a value without faults. sealed returns where a
// secret is, as the file writes it.
func (s *setup) text(at stage, sealed func(name string) string) string {
	var b strings.Builder
	put := func(format string, a ...any) { fmt.Fprintf(&b, format+"\n", a...) }
	of := func(key, otherwise string) string { return cmp.Or(s.kept[key], otherwise) }
	board, line, coil := of("relay", "none"), of("line", "line-1"), of("contact", "0")
	contact := board != "none" && at >= withContact
	put("# Written by `clearback setup`. deploy/clearback.yaml explains every key; `clearback check` reports every fault.")
	put("country: %q # whose emergency numbers count", of("country", "GB"))
	put("sip:")
	put("  adapter_side: {listen: %q} # the adapter's SIP server", of("address", "192.0.2.10:5060"))
	put("  service_side: {listen: %q} # towards the PBX or provider", of("service-side", "192.0.2.10:5070"))
	if contact {
		put("controllers: # the relay boards")
		put("  - {name: relays, driver: modbus, modbus: {address: %q}}", board)
	}
	put("lines:")
	put("  - name: %q", line)
	put("    adapter: {user: %q, password: %s}", line, sealed(line+suffixes["adapter-password"]))
	put("    service:")
	put("      registrar: %q", of("server", "sip:pbx.millrace.example"))
	put("      user: %q", of("user", "user"))
	put("      password: %s", sealed(line+suffixes["password"]))
	if !contact {
		put("    contact: {driver: none} # the daemon only logs when it would open the loop")
		return b.String()
	}
	put("    contact: {driver: modbus, controller: relays, coil: %s, %s}", coil, opening(of("timed", "accept"), coil))
	if at == withContact {
		put("    policy: {life_safety: true}")
	} else {
		put("    policy: {interval: 800ms} # the default; `clearback tune %s` finds the right one", line)
	}
	return b.String()
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
