package supervision_test

import (
	"strings"
	"testing"
	"time"

	"clearback/supervision"
)

// TestDefaultPolicyIsValid compares the defaults with their sources: 800 ms is the normal "disconnect clear time" of UK
// digital exchanges, 500 ms is T1 of RFC 3261.
func TestDefaultPolicyIsValid(t *testing.T) {
	const ms = time.Millisecond
	p := supervision.DefaultPolicy()
	if faults := p.Check(); len(faults) > 0 {
		t.Errorf("the defaults have faults: %v", faults)
	}
	for _, c := range []struct {
		name      string
		got, want time.Duration
	}{
		{"interval", p.Interval, 800 * ms},
		{"lead", p.Lead, 600 * ms},
		{"guard_time", p.GuardTime, 400 * ms},
		{"onhook_recognition", p.OnHookRecognition, 1600 * ms},
		{"max_interval", p.MaxInterval, 3 * time.Second},
		{"callback_window", p.CallbackWindow, 30 * time.Minute},
		{"watch", p.Watch, time.Minute},
		{"listening", p.Listening, 10 * time.Second},
	} {
		if c.got != c.want {
			t.Errorf("%s is %v by default; want %v", c.name, c.got, c.want)
		}
	}
	if p.OpeningsPerMinute != 6 {
		t.Errorf("openings_per_minute is %d by default; want 6", p.OpeningsPerMinute)
	}
	if p.LifeSafety || p.ProbeTrusted || p.SenseTrusted || p.Repeats != 0 || p.FlashMax != 0 || p.Steps != nil {
		t.Errorf("a default trusts or forbids too much: %+v", p)
	}
	if len((supervision.Policy{}).Check()) == 0 {
		t.Error("the zero policy passes for sound")
	}
}

func TestCheckNamesEveryFault(t *testing.T) {
	const ms = time.Millisecond
	for _, c := range []struct {
		name   string
		change func(p *supervision.Policy)
		want   []string // field: part of the problem
	}{
		{"interval too short", func(p *supervision.Policy) { p.Interval = 249 * ms },
			[]string{"interval: 249ms is out of bounds; allowed is 250ms to 3s"}},
		{"interval negative", func(p *supervision.Policy) { p.Interval = -1 },
			[]string{"interval: -1ns is out of bounds"}},
		{"interval above max_interval", func(p *supervision.Policy) { p.MaxInterval = 700 * ms },
			[]string{"interval: 800ms and the 200ms that the controller may take are longer than max_interval, 700ms"}},
		{"interval close to max_interval", func(p *supervision.Policy) { p.MaxInterval = 999 * ms },
			[]string{"interval: 800ms and the 200ms that the controller may take are longer than max_interval, 999ms"}},
		{"shortest interval, after the longest lead", func(p *supervision.Policy) {
			p.Interval, p.Lead = 250*ms,
				1651*ms
		}, []string{"lead: 1.651s is out of bounds; allowed is 50ms to 1.65s"}},
		{"max_interval above the absolute limit", func(p *supervision.Policy) { p.MaxInterval = 3001 * ms },
			[]string{"max_interval: 3.001s is out of bounds; allowed is 250ms to 3s"}},
		{"lead and interval", func(p *supervision.Policy) { p.Lead = 1201 * ms },
			[]string{"interval: lead 1.201s and an interval of 800ms end 2.001s"}},
		{"lead too short", func(p *supervision.Policy) { p.Lead = 0 },
			[]string{"lead: 0s is out of bounds; allowed is 50ms to 1.65s"}},
		{"guard time", func(p *supervision.Policy) { p.GuardTime = -400 * ms },
			[]string{"guard_time: -400ms is out of bounds; allowed is 100ms to 5s"}},
		{"recognition", func(p *supervision.Policy) { p.OnHookRecognition = 799 * ms },
			[]string{"onhook_recognition: 799ms is shorter than the longest interval of the line, 800ms"}},
		{"recognition too long", func(p *supervision.Policy) { p.OnHookRecognition = time.Minute },
			[]string{"onhook_recognition: 1m0s is out of bounds"}},
		{"flash beyond any window", func(p *supervision.Policy) { p.FlashMax = 1551 * ms },
			[]string{"flash_max: 1.551s is out of bounds", "flash_max: if the adapter"}},
		{"flash and lead", func(p *supervision.Policy) { p.FlashMax = 1301 * ms },
			[]string{"flash_max: if the adapter does not answer its BYE the interval must be flash_max + 100ms = 1.401s, which after lead 600ms ends beyond 2s"}},
		{"flash and max_interval", func(p *supervision.Policy) { p.FlashMax, p.MaxInterval = 901*ms, 1200*ms },
			[]string{"which with the 200ms that the controller may take is longer than max_interval, 1.2s"}},
		{"nothing about the flash where its detection is off", func(p *supervision.Policy) { p.MaxInterval = 250 * ms },
			[]string{"interval: 800ms and the 200ms that the controller may take are longer than max_interval, 250ms"}},
		{"window", func(p *supervision.Policy) { p.CallbackWindow = -time.Second },
			[]string{"callback_window: -1s is out of bounds"}},
		{"watch too often", func(p *supervision.Policy) { p.Watch = 2999 * ms },
			[]string{"watch: 2.999s is out of bounds; allowed is 3s to 1h0m0s (0 for never)"}},
		{"watch too seldom", func(p *supervision.Policy) { p.Watch = time.Hour + 1 },
			[]string{"watch: 1h0m0.000000001s is out of bounds"}},
		{"listening for long", func(p *supervision.Policy) { p.Listening = time.Minute + 1 },
			[]string{"listening: 1m0.000000001s is out of bounds; allowed is 0s to 1m0s (0 where the first look decides)"}},
		{"listening backwards", func(p *supervision.Policy) { p.Listening = -1 },
			[]string{"listening: -1ns is out of bounds"}},
		{"repeats", func(p *supervision.Policy) { p.Repeats = 3 },
			[]string{"repeats: 3 is out of bounds; allowed is 0 to 2"}},
		{"no opening at all", func(p *supervision.Policy) { p.OpeningsPerMinute = 0 },
			[]string{"openings_per_minute: 0 is out of bounds; allowed is 1 to 60"}},
		{"too many openings", func(p *supervision.Policy) { p.OpeningsPerMinute = 61 },
			[]string{"openings_per_minute: 61 is out of bounds"}},
		{"more repeats than openings", func(p *supervision.Policy) { p.Repeats, p.OpeningsPerMinute = 2, 2 },
			[]string{"openings_per_minute: 2 is not enough for one clearing with repeats: 2; raise it to at least 3"}},
		{"fewer than none", func(p *supervision.Policy) { p.Repeats = -1 }, []string{"repeats: -1 is out of bounds"}},
		{"step below interval", func(p *supervision.Policy) { p.Steps = []time.Duration{800 * ms} },
			[]string{"steps: step 1, 800ms, is no longer than what comes before it, 800ms"}},
		{"steps fall", func(p *supervision.Policy) { p.Steps = []time.Duration{1200 * ms, 1100 * ms} },
			[]string{"steps: step 2, 1.1s, is no longer than what comes before it, 1.2s"}},
		{"step ends too late", func(p *supervision.Policy) { p.Steps = []time.Duration{1401 * ms} },
			[]string{"steps: lead 600ms and an interval of 1.401s end 2.001s"}},
		{"step above max_interval", func(p *supervision.Policy) {
			p.Steps, p.MaxInterval = []time.Duration{1300 * ms},
				1200*ms
		}, []string{"steps: step 1, 1.3s, and the 200ms that the controller may take are longer than max_interval, 1.2s"}},
		{"recognition below a step", func(p *supervision.Policy) {
			p.Steps,
				p.OnHookRecognition = []time.Duration{1300 * ms}, 1200*ms
		}, []string{"onhook_recognition: 1.2s is shorter than the longest interval of the line, 1.3s"}},
		{"all at once", func(p *supervision.Policy) { p.Lead, p.GuardTime = -1, -1 },
			[]string{"lead: ", "guard_time: "}},
	} {
		t.Run(c.name, func(t *testing.T) {
			p := supervision.DefaultPolicy()
			c.change(&p)
			faults := p.Check()
			if len(faults) != len(c.want) {
				t.Fatalf("%d faults, want %d: %v", len(faults), len(c.want), faults)
			}
			for i, want := range c.want {
				if !strings.Contains(faults[i].String(), want) {
					t.Errorf("fault %q; want %q in it", faults[i], want)
				}
			}
		})
	}
}

// TestPolicyBoundsAreInclusive checks that each limit itself is allowed.
func TestPolicyBoundsAreInclusive(t *testing.T) {
	const ms = time.Millisecond
	for name, change := range map[string]func(p *supervision.Policy){
		"shortest interval":        func(p *supervision.Policy) { p.Interval = 250 * ms },
		"lead + interval of 2 s":   func(p *supervision.Policy) { p.Lead = 1200 * ms },
		"steps up to the end":      func(p *supervision.Policy) { p.Steps = []time.Duration{801 * ms, 1400 * ms} },
		"flash up to the end":      func(p *supervision.Policy) { p.FlashMax = 1300 * ms },
		"no call-back window":      func(p *supervision.Policy) { p.CallbackWindow = 0 },
		"watched most often":       func(p *supervision.Policy) { p.Watch = 3 * time.Second },
		"watched most seldom":      func(p *supervision.Policy) { p.Watch = time.Hour },
		"never watched":            func(p *supervision.Policy) { p.Watch = 0 },
		"no grace":                 func(p *supervision.Policy) { p.Listening = 0 },
		"the longest grace":        func(p *supervision.Policy) { p.Listening = time.Minute },
		"two repeats":              func(p *supervision.Policy) { p.Repeats = 2 },
		"one opening":              func(p *supervision.Policy) { p.OpeningsPerMinute = 1 },
		"the most openings":        func(p *supervision.Policy) { p.OpeningsPerMinute = 60 },
		"just enough openings":     func(p *supervision.Policy) { p.Repeats, p.OpeningsPerMinute = 2, 3 },
		"max_interval just enough": func(p *supervision.Policy) { p.MaxInterval = 1000 * ms },
		"a step just enough": func(p *supervision.Policy) {
			p.Steps, p.MaxInterval = []time.Duration{1000 * ms}, 1200*ms
		},
		"flash just enough": func(p *supervision.Policy) { p.FlashMax, p.MaxInterval = 900*ms, 1200*ms },
		"longest lead":      func(p *supervision.Policy) { p.Interval, p.Lead = 350*ms, 1650*ms },
	} {
		p := supervision.DefaultPolicy()
		change(&p)
		if faults := p.Check(); len(faults) > 0 {
			t.Errorf("%s: %v", name, faults)
		}
	}
}

func TestInstantStaysAtNever(t *testing.T) {
	if got := supervision.Never.Add(-time.Second); got != supervision.Never {
		t.Errorf("Never less a second is %v", got)
	}
	if got := (supervision.Never - 5).Add(time.Second); got != supervision.Never {
		t.Errorf("just before Never and a second is %v", got)
	}
	if got := supervision.Instant(5).Add(7); got != 12 || got.Sub(2) != 10 {
		t.Errorf("5 and 7 is %v", got)
	}
}
