package config

import (
	"fmt"
)

func (d *decoder) checkControllers(c *Config) {
	seen := map[string]int{}
	// apart reports a second controller that uses the same thing.
	apart := func(i int, path, thing, words, remedy string) {
		if first, twice := seen[thing]; twice {
			d.add(d.at(path), "%s: controllers[%d] %s; %s", path, first, words, remedy)
			return
		}
		seen[thing] = i
	}
	for i := range c.Controllers {
		b, at := &c.Controllers[i], fmt.Sprintf("controllers[%d]", i)
		if b.Name != "" {
			apart(i, at+".name", "name "+b.Name, fmt.Sprintf("is called %q too", b.Name), "give each its own name")
		}
		for j := range drivers {
			d.checkController(b, &drivers[j], at, func(key, thing, words, remedy string) {
				apart(i, at+"."+drivers[j].controller+"."+key, thing, words, remedy)
			})
		}
	}
}

// checkController checks those settings of a controller that belong to driver r, which need not be the controller's own
// driver.
func (d *decoder) checkController(b *Controller, r *driver, at string, apart func(key, thing, words, remedy string)) {
	own := at + "." + r.controller
	switch {
	case b.Driver == r.name && !d.has(own):
		d.add(d.at(at), "%s is missing; driver %s needs it", own, r.name)
		return
	case b.Driver != r.name && b.Driver != "" && d.has(own):
		d.add(d.at(own), "%s: driver is %s, so this is not used; remove it, or write driver: %s", own, b.Driver, r.name)
	}
	if !d.has(own) {
		return
	}
	if r.claim != nil {
		if c := r.claim(b); c.thing != "" {
			apart(c.key, c.kind+c.thing, c.words, c.remedy)
		}
	}
	d.addAll(own, r.check(b))
}
