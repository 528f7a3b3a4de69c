package registration

import (
	"net/netip"

	"clearback/bridge/sipua/endpoint"
)

// Claimed returns the line that a request says it comes from: by the user of its credentials, or else by the user in
// From. It checks no password and sends nothing. It returns "" if neither names a line.
func (r *Registrar) Claimed(req *endpoint.Request) string {
	user := userOf(req)
	if cred := r.credentials(req); cred != nil {
		user = cred.Username
	}
	if a := r.table().byUser[user]; a != nil && user != "" {
		return a.Line
	}
	return ""
}

// Sources returns where the adapter of a line last registered from, and where requests to it go. It leaves out what the
// adapter of another line uses too.
func (r *Registrar) Sources(line string) []netip.AddrPort {
	lines := map[netip.AddrPort]int{}
	var own []netip.AddrPort
	for _, a := range r.table().accounts {
		a.mu.Lock()
		at := []netip.AddrPort{a.binding.Destination}
		if a.source != a.binding.Destination {
			at = append(at, a.source)
		}
		a.mu.Unlock()
		for _, addr := range at {
			lines[addr]++
		}
		if a.Line == line {
			own = at
		}
	}
	var all []netip.AddrPort
	for _, addr := range own {
		if addr.IsValid() && lines[addr] == 1 {
			all = append(all, addr)
		}
	}
	return all
}
