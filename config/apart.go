package config

import (
	"fmt"
	"strings"
)

// checkLinesApart finds what two lines must not share.
func (d *decoder) checkLinesApart(c *Config) {
	first := map[string]string{}
	// once tells of a second holder of the same thing; the empty thing is nobody's.
	once := func(path, thing, words, remedy string) {
		if holder, taken := first[thing]; taken {
			d.add(d.at(path), "%s: %s is that of %s already; %s", path, words, holder, remedy)
			return
		}
		first[thing] = strings.SplitN(path, ".", 2)[0]
	}
	for i := range c.Lines {
		l, at := &c.Lines[i], fmt.Sprintf("lines[%d]", i)
		if l.Name != "" {
			once(at+".name", "name "+l.Name, fmt.Sprintf("the name %q", l.Name), "give each line its own")
		}
		if l.Adapter.User != "" {
			s := c.SIP.AdapterSide
			if l.Adapter.Socket != nil {
				s = *l.Adapter.Socket
			}
			once(at+".adapter.user", fmt.Sprintf("adapter %s %v", l.Adapter.User, s.Listen),
				fmt.Sprintf("the user %q on the socket %v", l.Adapter.User, s.Listen), "give each port of the adapter its own user, or the line its own socket")
		}
		if l.Service.User != "" && l.Service.Registrar != "" {
			once(at+".service.user", "service "+l.Service.User+" "+strings.ToLower(l.Service.Registrar),
				fmt.Sprintf("the user %q at that registrar", l.Service.User), "give each line its own account")
		}
		if l.Contact.Driver == "modbus" && d.has(at+".contact.coil") {
			d.contactApart(l, at+".contact", once)
		}
	}
}

func (d *decoder) contactApart(l *Line, at string, once func(path, thing, words, remedy string)) {
	k := &l.Contact
	board := fmt.Sprintf("%s, unit %d", k.Controller, k.Unit)
	once(at+".coil", fmt.Sprintf("coil %s %d", board, k.Coil), fmt.Sprintf("coil %d of %s", k.Coil, board), "one contact serves one line: give each its own")
	if k.Timed != nil && d.has(at+".timed.register") {
		once(at+".timed.register", fmt.Sprintf("register %s %d", board, k.Timed.Register),
			fmt.Sprintf("register %d of %s", k.Timed.Register, board), "each coil has its own register of the board's timed output")
	}
}
