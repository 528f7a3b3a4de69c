package config

import (
	"bytes"
	"fmt"
	"reflect"
	"slices"
	"time"

	"go.yaml.in/yaml/v3"

	"clearback/config/file"
)

// loadedFile is what Load remembers of the file, so that a daemon can find out what has changed in it.
type loadedFile struct {
	path   string
	text   []byte
	places map[string]*yaml.Node // see decoder
}

// Edited reports whether the text of the file is no longer the one that [Load] read. Time stamps do not count.
func (c *Config) Edited() (bool, error) {
	if c.loaded.path == "" {
		return false, nil
	}
	now, err := file.Read(c.loaded.path)
	if err != nil {
		return false, fmt.Errorf("read the configuration: %w", err)
	}
	return !bytes.Equal(now, c.loaded.text), nil
}

// WithTuned returns c with what [SetTuned] has written for a line since c was loaded. ok is false if the file differs
// from c in anything else, if it has another interval, or if it is as it was loaded.
func (c *Config) WithTuned(line string, interval time.Duration) (tuned *Config, ok bool) {
	text, err := file.Read(c.loaded.path)
	if err != nil || bytes.Equal(text, c.loaded.text) {
		return c, false
	}
	before, after := read(c.loaded.path, c.loaded.text), read(c.loaded.path, text)
	if len(before.faults) > 0 || len(after.faults) > 0 || len(before.config.Lines) != len(after.config.Lines) {
		return c, false
	}
	at := slices.IndexFunc(after.config.Lines, func(l Line) bool { return l.Name == line })
	if at < 0 || after.config.Lines[at].Policy.Interval != interval {
		return c, false
	}
	take := func(from *Config) *Config {
		out, is := *from, &after.config.Lines[at]
		out.Lines = slices.Clone(from.Lines)
		l := &out.Lines[at]
		l.Policy.Interval, l.Policy.Steps = is.Policy.Interval, is.Policy.Steps
		e := &is.Equipment
		l.Equipment.CardReleaseMin, l.Equipment.CardReleaseMax = e.CardReleaseMin, e.CardReleaseMax
		return &out
	}
	if !reflect.DeepEqual(take(before.config), after.config) {
		return c, false
	}
	tuned = take(c)
	tuned.loaded = loadedFile{c.loaded.path, text, after.d.places}
	return tuned, true
}

// At returns a fault at a key, or at the innermost part of its path that is in the file.
func (c *Config) At(path, problem string) Fault {
	d := &decoder{file: c.loaded.path, places: c.loaded.places}
	d.add(d.at(path), "%s: %s", path, problem)
	return d.faults[0]
}

// restartKeys are the keys that a running daemon cannot change.
var restartKeys = []struct {
	key string
	of  func(*Config) any
}{
	{"country", func(c *Config) any { return c.Country }},
	{"emergency.numbers", func(c *Config) any { return c.Emergency.Numbers }},
	{"emergency.outside_prefixes", func(c *Config) any { return c.Emergency.Prefixes }},
	{"emergency.callback_window", func(c *Config) any { return c.Emergency.CallbackWindow }},
	{"emergency.second_after", func(c *Config) any { return c.Emergency.SecondAfter }},
	{"emergency.callback_from", func(c *Config) any { return c.Emergency.CallbackFrom }},
	{"sip.adapter_side", func(c *Config) any { return c.SIP.AdapterSide }},
	{"sip.service_side", func(c *Config) any { return c.SIP.ServiceSide }},
	{"sip.realm", func(c *Config) any { return c.SIP.Realm }},
	{"media.adapter_address", func(c *Config) any { return c.Media.AdapterAddress }},
	{"media.service_address", func(c *Config) any { return c.Media.ServiceAddress }},
	{"media.ports", func(c *Config) any { return [2]uint16{c.Media.PortLow, c.Media.PortHigh} }},
	{"media.from", func(c *Config) any { return c.Media.From }},
	{"log", func(c *Config) any { return c.Log }},
	{"journal", func(c *Config) any { return c.Journal }},
	{"control", func(c *Config) any { return c.Control }},
	{"alarms.folder", func(c *Config) any { return c.Alarms.Folder }},
	{"metrics", func(c *Config) any { return c.Metrics }},
}

// NeedsRestart returns the keys, with their places, in which c differs from the configuration of a running daemon and
// which that daemon cannot change.
func (c *Config) NeedsRestart(running *Config) (all Faults) {
	for _, k := range restartKeys {
		if !reflect.DeepEqual(k.of(c), k.of(running)) {
			all = append(all, c.At(k.key, "changes only with a restart of the daemon"))
		}
	}
	return all
}
