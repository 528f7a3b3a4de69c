package config

import (
	"errors"
	"fmt"
	"strings"

	"clearback/supervision/dialplan"
)

func numbersPattern(s string) (string, error) { return s, dialplan.CheckPattern(s) }

// DialPlan returns what the near end of a line may call.
func (c *Config) DialPlan(l *Line) (*dialplan.Plan, error) {
	return dialplan.New(dialplan.Options{
		Country: c.Country, Prefixes: c.Emergency.Prefixes,
		Allow: l.Dial.Allow, Deny: l.Dial.Deny, International: l.Dial.International,
	})
}

func (d *decoder) checkDial(c *Config, l *Line, at string) {
	if d.emptyList(at + ".allow") {
		d.add(d.at(at+".allow"),
			"%s.allow: an empty list does not say whether everything or nothing may be called; leave it out for everything, or write deny: [\"*\"] for nothing but emergency numbers",
			at)
	}
	if _, err := c.numbers(); err != nil {
		return // the country is at fault; checkCountry has reported it
	}
	_, err := c.DialPlan(l)
	var p *dialplan.PatternError
	switch {
	case errors.As(err, &p):
		path := fmt.Sprintf("%s.%s[%d]", at, p.List, p.Index)
		d.add(d.at(path), "%s: %q %s", path, p.Pattern, p.Problem)
	case err != nil:
		d.add(d.at("country"), "%v", err)
	}
}

// DescribeDialling returns a sentence or more for each line: what it may call.
func DescribeDialling(c *Config) []string {
	var out []string
	for i := range c.Lines {
		s := c.describeDialling(&c.Lines[i])
		if at := c.Lines[i].Location; at != "" {
			s += " Its location: " + at + "."
		}
		out = append(out, s)
	}
	return out
}

func (c *Config) describeDialling(l *Line) string {
	var b strings.Builder
	fmt.Fprintf(&b, "line %s: may call ", l.Name)
	switch d := &l.Dial; {
	case len(d.Allow) > 0:
		fmt.Fprintf(&b, "only %s", strings.Join(d.Allow, " "))
	case len(d.Deny) == 1 && d.Deny[0] == "*":
		b.WriteString("emergency numbers, and nothing else (dial.deny).")
		return b.String()
	default:
		b.WriteString("every number")
	}
	if len(l.Dial.Deny) > 0 {
		fmt.Fprintf(&b, ", except %s", strings.Join(l.Dial.Deny, " "))
	}
	p, err := c.DialPlan(l)
	switch {
	case l.Dial.International:
		b.WriteString(", in other countries too")
	case err == nil:
		fmt.Fprintf(&b, "; numbers in other countries are refused (dial.international): those that begin with + or an international prefix, but not with +%s",
			p.CallingCode())
		if len(c.Emergency.Prefixes) > 0 {
			fmt.Fprintf(&b, ", also after %s for an outside line", strings.Join(c.Emergency.Prefixes, " or "))
		} else {
			b.WriteString(" (emergency.outside_prefixes is empty, so they are not recognised after a digit for an outside line)")
		}
	}
	b.WriteString(". Emergency numbers are always allowed.")
	return b.String()
}

// diallingWarnings warns of patterns that have no effect.
func (c *Config) diallingWarnings() []string {
	numbers, err := c.numbers()
	if err != nil {
		return nil
	}
	var w []string
	for i := range c.Lines {
		l := &c.Lines[i]
		for _, p := range l.Dial.Deny {
			if numbers.Emergency(p) {
				w = append(w, fmt.Sprintf("line %s: dial.deny has the emergency number %s, which is always allowed", l.Name,
					p))
			}
		}
	}
	return w
}
