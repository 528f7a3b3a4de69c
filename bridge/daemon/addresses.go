package daemon

import (
	"fmt"
	"net/netip"
	"strings"
	"sync"
	"time"

	"go.uber.org/zap"

	"clearback/bridge/localaddr"
	"clearback/config"
)

// addressesEvery is how often the daemon looks whether this machine has its addresses. Our own number.
const addressesEvery = 2 * time.Second

// addressWatch watches whether this machine has the addresses that the file names. Before the network is up it may have
// none of them, and a router may give it another address at any time. The sockets stay open: they serve again as soon
// as the address is back.
type addressWatch struct {
	// set once
	log    *zap.Logger
	wanted func() []config.Address
	has    func(netip.Addr) bool // localaddr.Has
	remind time.Duration         // how often a missing address is logged again; 0: never
	back   func()                // called when an address is there again

	mu      sync.Mutex
	missing []config.Address

	logged time.Time // the last time that a missing address was logged; owned by run
}

// run looks until end is closed.
func (w *addressWatch) run(end <-chan struct{}) {
	tick := time.NewTicker(addressesEvery)
	defer tick.Stop()
	for {
		select {
		case <-end:
			return
		case <-tick.C:
			w.look()
		}
	}
}

// look looks once, and logs what has changed.
func (w *addressWatch) look() {
	var missing []config.Address
	came, again := false, w.remind > 0 && time.Since(w.logged) >= w.remind
	for _, a := range w.wanted() {
		was := w.isMissing(a.Addr)
		switch {
		case w.has(a.Addr):
			if was {
				came = true
				w.log.Info("this machine has the address now; its lines are served", zap.Stringer("address", a.Addr))
			}
			continue
		case !was || again:
			w.logged = time.Now()
			w.log.Error(addressWords(a), zap.Stringer("address", a.Addr))
		}
		missing = append(missing, a)
	}
	w.mu.Lock()
	w.missing = missing
	w.mu.Unlock()
	if came {
		w.back()
	}
}

func (w *addressWatch) isMissing(addr netip.Addr) bool {
	w.mu.Lock()
	defer w.mu.Unlock()
	for _, a := range w.missing {
		if a.Addr == addr {
			return true
		}
	}
	return false
}

// problems returns a sentence about each missing address.
func (w *addressWatch) problems() []string {
	w.mu.Lock()
	defer w.mu.Unlock()
	var all []string
	for _, a := range w.missing {
		all = append(all, addressWords(a))
	}
	return all
}

// MissingAddresses returns a sentence about each address that the file names and this machine does not have now.
func MissingAddresses(c *config.Config) []string {
	w := addressWatch{log: zap.NewNop(), wanted: c.Addresses, has: localaddr.Has}
	w.look()
	return w.problems()
}

func addressWords(a config.Address) string {
	return fmt.Sprintf("this machine does not have the address %s (%s), so no call passes there; it has %s. "+
		"If its network is not up yet, wait: nothing needs to be restarted. Otherwise give it that address again "+
		"(reserve it in the router), or correct the file and restart the daemon",
		a.Addr, strings.Join(a.Keys, ", "), localaddr.Others())
}
