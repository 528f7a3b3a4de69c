//go:build !linux

package localaddr

import "net/netip"

// bindFreely does nothing: there is no portable way.
func bindFreely(uintptr, netip.Addr) error { return nil }
