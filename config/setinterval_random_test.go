package config

import (
	"fmt"
	"reflect"
	"slices"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"
)

// randomSteps draws up to three steps, each longer than every interval of layout, and a layout for them in a mapping
// with an indentation. It returns "" for none. It uses dashes and line breaks only within a block.
func randomSteps(t *rapid.T, block bool, pad string, comment func() string) string {
	one := func(what string, of ...string) string { return rapid.SampledFrom(of).Draw(t, what) }
	all := [][]string{{"1.05s", "'1050ms'"}, {"1.1s", "\"1100ms\"", "!!str 1.1s"},
		{"1.3s", "&top 1.3s"}}[:rapid.SampledFrom([]int{3, 2, 1, 0}).Draw(t, "steps")]
	entries := make([]string, len(all))
	for i, of := range all {
		entries[i] = one("written", of...)
	}
	kinds := []string{"none", "brackets"}
	if block && len(all) > 0 {
		kinds = append(kinds, "lines", "commas", "dashes")
	}
	between := func() string { return one("between", "", "", "\n", pad+"  # on its own\n") }
	text := "steps:"
	switch one("style", kinds...) {
	case "none":
		return ""
	case "brackets":
		gap := one("gap", "", " ")
		return text + " [" + gap + strings.Join(entries, one("comma", ",", ", ", " , ")) + gap + "]"
	case "lines":
		text += " [" + comment()
		for _, e := range entries {
			text += "\n" + between() + pad + "  " + e + "," + comment()
		}
		return text + "\n" + between() + pad + " ]"
	case "commas":
		return text + "\n" + pad + " [ " + strings.Join(entries, comment()+"\n"+between()+pad+" , ") +
			one("end", "]", " ]", comment()+"\n"+pad+" ]")
	}
	text += comment()
	for _, e := range entries {
		text += "\n" + between() + pad + "-" + one("gap", " ", "   ") + e + comment()
	}
	return text
}

// layout draws the text of a file with a few lines, each in its own layout. shared reports whether another line may
// share a line's policy.
func layout(t *rapid.T) (text string, names []string, shared bool) {
	flip := func(what string) bool { return rapid.Bool().Draw(t, what) }
	one := func(what string, of ...string) string { return rapid.SampledFrom(of).Draw(t, what) }
	comment := func() string { return one("comment", "", "", " # why", " # interval: 1s, {policy}", " # é–𝄞") }
	names = []string{"box-office", "stage-door", "workshop", "green-room"}[:rapid.IntRange(1, 4).Draw(t, "lines")]
	var b strings.Builder
	b.WriteString(one("top", "", "\ufeff", "# policy: {interval: 900ms}\n\n", "---\n"))
	b.WriteString("country: GB" + comment() +
		"\nsip: {adapter_side: {listen: \"192.0.2.10:5060\"}, service_side: {listen: \"192.0.2.10:5070\"}}\n")
	b.WriteString("lines:" + comment() + "\n")
	dash := one("dash", "- ", "  - ", "  -   ", "     - ")
	pad, anchor := strings.Repeat(" ", len(dash)), ""
	step := strings.Repeat(" ", rapid.IntRange(1, 4).Draw(t, "step"))
	for i, name := range names {
		interval := one("interval", "800ms", "'800ms'", "\"800ms\"", "0.8s", "&v"+fmt.Sprint(i)+" 900ms", "!!str 900ms")
		policy := ""
		switch kind := one("kind", "none", "block", "flow", "alias", "merge", "mergeflow"); {
		case kind == "block":
			props := ""
			if anchor == "" && flip("anchor") {
				anchor, props = "usual", " &usual"
			}
			keys := rapid.Permutation([]string{"lead: 500ms", "life_safety: false", "guard_time: 1s", "interval: " +
				interval}).Draw(t, "keys")
			if flip("short") {
				keys = keys[:2]
			}
			if steps := randomSteps(t, true, pad+step, comment); steps != "" {
				keys = slices.Insert(keys, rapid.IntRange(0, len(keys)).Draw(t, "steps at"), steps)
			}
			policy = "policy:" + props + comment() + "\n"
			for _, k := range keys {
				policy += one("between", "", "", "\n", pad+step+"# before\n") + pad + step + k + comment() + "\n"
			}
		case kind == "flow":
			props := ""
			if anchor == "" && flip("anchor") {
				anchor, props = "usual", "&usual "
			}
			gap := one("gap", "", " ", "\n"+pad+step)
			inside := one("inside", "", "lead: 500ms", "interval: "+interval, "lead: 500ms, interval: "+interval,
				"interval: "+interval+" , guard_time: 1s")
			if steps := randomSteps(t, false, pad, comment); steps != "" && inside != "" {
				inside = one("steps", inside+", "+steps, steps+", "+inside)
			}
			policy = "policy: " + props + "{" + gap + inside + gap + "}" + comment() + "\n"
		case kind == "alias" && anchor != "":
			policy, shared = "policy: *"+anchor+comment()+"\n", true
		case kind == "merge" && anchor != "":
			policy, shared = "policy:\n"+pad+step+"<<: *"+anchor+comment()+"\n"+pad+step+"guard_time: 2s\n", true
		case kind == "mergeflow" && anchor != "":
			policy, shared = "policy: {<<: *"+anchor+", interval: 950ms}\n", true
		}
		parts := []string{"name: " + one("quote", name, "'"+name+"'", "\""+name+"\"") + comment() + "\n",
			fmt.Sprintf("adapter: {user: %s, contact: \"sip:192.0.2.%d\"}%s\n", name, 20+i, comment()),
			fmt.Sprintf("service:\n%s%sregistrar: sip:192.0.2.5\n%[1]s%[2]suser: 555010%d\n%[1]s%[2]sregister: no\n",
				pad, step, i+1),
			"contact: {driver: none}\n"}
		parts[2] = strings.Replace(parts[2], "register: no\n", "register: false\n", 1)
		if policy != "" {
			parts = append(parts, policy)
		}
		for j, p := range rapid.Permutation(parts).Draw(t, "order") {
			if j == 0 {
				b.WriteString(dash + p)
			} else {
				b.WriteString(one("gap", "", "", "\n") + pad + p)
			}
		}
	}
	text = b.String()
	if flip("bare end") {
		text = strings.TrimRight(text, "\n")
	}
	if flip("crlf") {
		text = strings.ReplaceAll(text, "\n", "\r\n")
	}
	return text, names, shared
}

// splice returns the single change between two texts.
func splice(before, after string) (removed, added string) {
	head := 0
	for head < len(before) && head < len(after) && before[head] == after[head] {
		head++
	}
	tail := 0
	for tail < len(before)-head && tail < len(after)-head && before[len(before)-1-tail] == after[len(after)-1-tail] {
		tail++
	}
	return before[head : len(before)-tail], after[head : len(after)-tail]
}

// elsewhere returns the lines of a text that contain no head, interval or steps of a policy.
func elsewhere(text string) []string {
	return slices.DeleteFunc(strings.Split(strings.ReplaceAll(text, "\r", ""), "\n"), func(l string) bool {
		written, _, commented := strings.Cut(l, "#")
		if strings.Trim(written, " ,{}") == "" {
			return !commented
		}
		return strings.Trim(written, " ,[]") == "" || slices.ContainsFunc([]string{"policy:", "interval:", "steps:",
			"1.05s", "1050ms", "1.1s", "1100ms", "1.3s"}, func(s string) bool {
			return strings.Contains(written, s)
		})
	})
}

// For every layout of a file, one place changes by a few bytes, and only that interval differs when the file is read
// back. Steps that are not longer are removed too, and only their lines change. A file in which lines share nothing is
// never refused.
func TestRandomLayouts(t *testing.T) {
	written, trimmed, refused := 0, 0, 0
	rapid.Check(t, func(t *rapid.T) {
		text, names, shared := layout(t)
		before, faults := Parse("f", []byte(text), millraceEnv())
		if faults != nil {
			t.Fatalf("the layout is not valid:\n%s\n%v", text, faults)
		}
		i := rapid.IntRange(0, len(names)-1).Draw(t, "line")
		interval := time.Duration(rapid.SampledFrom([]int{1300, 1100, 1050, 900, 300}).Draw(t, "new")+rapid.IntRange(0,
			90).Draw(t, "and")) * ms
		got, err := WithInterval("f", []byte(text), names[i], interval)
		if err != nil {
			if !shared {
				t.Fatalf("%v\n%s", err, text)
			}
			refused++
			return
		}
		written++
		after, faults := Parse("f", got, millraceEnv())
		if faults != nil {
			t.Fatalf("%v\n%s", faults, got)
		}
		var left []time.Duration
		for _, s := range before.Lines[i].Policy.Steps {
			if s > interval {
				left = append(left, s)
			}
		}
		own := read("f", []byte(text)).hasSteps(i)
		removed, added := splice(text, string(got))
		if own && len(left) < len(before.Lines[i].Policy.Steps) {
			trimmed++
			if a, b := elsewhere(text), elsewhere(string(got)); !slices.Equal(a, b) {
				t.Fatalf("%q\n%q\n%s\n%s", a, b, text, got)
			}
		} else if len(removed) > len("interval") || len(added) > 70 || strings.ContainsAny(removed, "#\n{}:,") ||
			strings.Contains(added, "#") {
			t.Fatalf("removed %q, added %q:\n%s", removed, added, text)
		}
		if strings.Contains(text, "\r\n") && strings.Count(string(got), "\n") != strings.Count(string(got), "\r\n") {
			t.Fatalf("mixed line ends: %q", added)
		}
		want := before.Lines[i]
		want.Policy.Interval, want.Policy.Steps = interval, left
		if !own {
			want.Policy.Steps = after.Lines[i].Policy.Steps
		}
		before.Lines[i] = want
		if !reflect.DeepEqual(before, after) {
			t.Fatalf("%+v\n%+v\n%s", before, after, got)
		}
		if back, err := WithInterval("f", got, names[i], interval); err != nil || !slices.Equal(back, got) {
			t.Fatalf("%v\n%s", err, back)
		}
	})
	if written == 0 || trimmed == 0 && !testing.Short() { // in short tests there may be none
		t.Fatalf("written %d, steps trimmed in %d", written, trimmed)
	}
	t.Logf("written %d, steps trimmed in %d, refused %d", written, trimmed, refused)
}

// No text causes a panic in WithInterval. If it writes, it changes one place, and the result is complete.
func FuzzWithInterval(f *testing.F) {
	f.Add(small, 700)
	f.Add(millraceFile("  - name: box-office\n    "+boxOffice+"    policy: &usual {interval: 800ms}\n"+stageDoor+"    policy: *usual\n"),
		900)
	f.Add("\ufeff"+millraceFile("  - {policy: {}, name: box-office, "+strings.ReplaceAll(boxOffice, "\n", ",\n")+"}\n"),
		300)
	f.Add(millraceFile("- ? name\n  : box-office\n  ? policy\n  : interval: 800ms\n  "+strings.ReplaceAll(boxOffice,
		"    ", "  ")), 300)
	f.Add(millraceFile("  - name: box-office\n    "+boxOffice+"    policy: &usual\n      steps: # rising\n      - 1s # a\n      # b\n      - 1.2s\n"+stageDoor+"    policy: {<<: *usual, steps: [1s, # c\n      1.1s]}\n"),
		1100)
	f.Fuzz(func(t *testing.T, text string, v int) {
		got, err := WithInterval("f", []byte(text), "box-office", time.Duration(v)*ms)
		if err != nil {
			return
		}
		r := read("f", got)
		i := slices.IndexFunc(r.config.Lines, func(l Line) bool { return l.Name == "box-office" })
		if len(r.faults) > 0 || r.config.Lines[i].Policy.Interval != time.Duration(v)*ms {
			t.Fatalf("%q", got)
		}
	})
}
