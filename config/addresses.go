package config

import (
	"net/netip"
	"slices"
)

// Address is an address that this machine needs, and the keys of the file that name it.
type Address struct {
	Addr netip.Addr
	Keys []string
}

// Addresses returns the addresses that the daemon listens on, in the order of the file. Unspecified ones are left out.
func (c *Config) Addresses() []Address {
	var all []Address
	add := func(a netip.Addr, key string) {
		if !a.IsValid() || a.IsUnspecified() {
			return
		}
		i := slices.IndexFunc(all, func(known Address) bool { return known.Addr == a })
		if i < 0 {
			i, all = len(all), append(all, Address{Addr: a})
		}
		all[i].Keys = append(all[i].Keys, key)
	}
	for _, l := range c.listeners() {
		add(l.Listen.Addr(), l.path+".listen")
	}
	relays := slices.ContainsFunc(c.Lines, func(l Line) bool { return l.Media == "relay" })
	for _, m := range []struct {
		addr, usual netip.Addr
		key         string
	}{
		{c.Media.AdapterAddress, c.SIP.AdapterSide.Listen.Addr(), "media.adapter_address"},
		{c.Media.ServiceAddress, c.SIP.ServiceSide.Listen.Addr(), "media.service_address"},
	} {
		if relays && m.addr != m.usual { // else the key may be a default
			add(m.addr, m.key)
		}
	}
	return all
}
