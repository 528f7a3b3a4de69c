package config

import (
	"fmt"
	"path/filepath"
	"time"

	"clearback/supervision/window"
)

// complete sets the values that follow from other keys.
func (d *decoder) complete(c *Config) {
	if a := c.SIP.AdapterSide.Listen.Addr(); !c.Media.AdapterAddress.IsValid() && !a.IsUnspecified() {
		c.Media.AdapterAddress = a
	}
	if a := c.SIP.ServiceSide.Listen.Addr(); !c.Media.ServiceAddress.IsValid() && !a.IsUnspecified() {
		c.Media.ServiceAddress = a
	}
	d.completeFiles(c)
	for i := range c.Controllers {
		for _, r := range drivers {
			if r.files == nil {
				continue
			}
			if p := r.files(&c.Controllers[i]); p != nil {
				p.complete(filepath.Dir(d.file))
			}
		}
	}
	for i := range c.Lines {
		l := &c.Lines[i]
		l.Policy.CallbackWindow = c.Emergency.CallbackWindow
		l.Policy.Watch, l.Policy.Listening = l.Verify.Watch, l.Verify.Listening
		l.Contact.complete(c)
		l.Service.complete()
		l.Service.Second.complete()
		if !d.has(fmt.Sprintf("lines[%d].policy.steps", i)) {
			l.Policy.Steps = l.StepsAbove(l.Policy.Interval)
		}
	}
}

func (k *Contact) complete(c *Config) {
	if k.Require == "" {
		k.Require = c.Require
	}
	// A device with our own contract, and a program with its default arguments, need no settings of their own.
	if complete := k.driver().complete; complete != nil {
		complete(k)
	}
}

// complete makes relative paths relative to dir, the directory of the configuration file.
func (p *Peer) complete(dir string) {
	for _, s := range []*string{&p.CA, &p.Certificate, &p.Key} {
		if *s != "" && !filepath.IsAbs(*s) {
			*s = filepath.Join(dir, *s)
		}
	}
}

// defaultEquipment returns the values that package window assumes for unknown equipment.
func defaultEquipment() Equipment {
	w := window.Defaults()
	return Equipment{
		CardReleaseMin: w.Release.Min, CardReleaseMax: w.Release.Max,
		FlashMin:  w.FlashMin,
		RelayMove: w.Operate.Max, RelayBounce: w.Bounce.Max,
		TimingError:   w.Timing.Max,
		PulseDialling: w.PulseDialling,
		LongestOpen:   w.LongestOpen,
	}
}

// Window returns what is known of the line, for computing the window of its intervals ([window.Of]). A line that was
// not read from a file has no Equipment; Window then uses the defaults. If the file has flash_max without flash_min,
// any break up to flash_max may be a flash.
func (l *Line) Window() window.Line {
	w, e, p := window.Defaults(), l.Equipment, &l.Policy
	if e == (Equipment{}) {
		e = defaultEquipment()
	}
	upTo := func(usual window.Band, v time.Duration) window.Band {
		return window.Band{Min: min(usual.Min, v), Max: v}
	}
	w.Release = window.Band{Min: e.CardReleaseMin, Max: e.CardReleaseMax}
	w.FlashMin, w.FlashMax = e.FlashMin, p.FlashMax
	w.OnHookRecognition = p.OnHookRecognition
	w.Operate, w.ReleaseTime = upTo(w.Operate, e.RelayMove), upTo(w.ReleaseTime, e.RelayMove)
	w.Bounce = upTo(w.Bounce, e.RelayBounce)
	w.Timing = window.Band{Min: -e.TimingError, Max: e.TimingError}
	w.PulseDialling = e.PulseDialling
	w.Ceiling, w.LongestOpen, w.Lead = p.Longest(), e.LongestOpen, p.Lead
	return w
}

// StepsAbove returns the steps of a line whose file has none, for an interval. They are those of its window
// ([window.Steps]), in whole units of the board's own timer and within its limit. They never cause a fault.
func (l *Line) StepsAbove(interval time.Duration) []time.Duration {
	w, last := l.Window(), interval
	var unit time.Duration
	if t := l.Contact.ownTimer(); t != nil && t.unit > 0 && t.limit > 0 {
		w.Ceiling = min(w.Ceiling, t.limit)
		unit = t.unit
		last = wholeUnits(last, unit)
	}
	possible := window.Of(w, window.WorstCase)
	var steps []time.Duration
	for _, s := range window.Steps(w, interval) {
		if unit > 0 {
			s = s / unit * unit
		}
		if s > last && possible.Allows(s) {
			steps = append(steps, s)
			last = s
		}
	}
	return steps
}
