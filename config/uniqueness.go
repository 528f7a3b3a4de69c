package config

import (
	"fmt"
	"strings"
)

// checkLinesDiffer reports what two lines must not share.
func (d *decoder) checkLinesDiffer(c *Config) {
	first := map[string]string{}
	// unique reports a second holder of the same thing.
	unique := func(path, thing, words, remedy string) {
		if holder, taken := first[thing]; taken {
			d.add(d.at(path), "%s: %s is already that of %s; %s", path, words, holder, remedy)
			return
		}
		first[thing] = strings.SplitN(path, ".", 2)[0]
	}
	for i := range c.Lines {
		l, at := &c.Lines[i], fmt.Sprintf("lines[%d]", i)
		if l.Name != "" {
			unique(at+".name", "name "+l.Name, fmt.Sprintf("the name %q", l.Name), "give each line its own")
		}
		if l.Adapter.User != "" {
			s := c.SIP.AdapterSide
			if l.Adapter.Socket != nil {
				s = *l.Adapter.Socket
			}
			unique(at+".adapter.user", fmt.Sprintf("adapter %s %v", l.Adapter.User, s.Listen),
				fmt.Sprintf("the user %q on the socket %v", l.Adapter.User, s.Listen),
				"give each port of the adapter its own user, or the line its own socket")
		}
		account := func(s *Service, at string) string {
			if s == nil || s.User == "" || s.Registrar == "" {
				return ""
			}
			thing := "service " + s.User + " " + strings.ToLower(s.Registrar)
			unique(at+".user", thing, fmt.Sprintf("the user %q at that registrar", s.User),
				"give each line its own account")
			return thing
		}
		if first := account(&l.Service, at+".service"); first == "" || !l.Service.sameAccount(l.Service.Second) {
			account(l.Service.Second, at+".service.second")
		}
		if share := l.Contact.driver().share; share != nil {
			share(d, l, at+".contact", unique)
		}
	}
	d.checkWatchdogRegisters(c)
}
