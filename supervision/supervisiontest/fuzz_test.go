package supervisiontest

import (
	"testing"

	"pgregory.net/rapid"

	"clearback/supervision"
)

// seeds returns the seeds of the fuzzer: an ordinary call with an interruption, one with a seizure, one with a waiting
// call, and adopted calls.
func seeds() [][]byte {
	call := []byte{1, 1, 1, 0, 0, 3, 1, 0, 50, 4, 1, 0, 200, 5, 1, 1, 200}
	opened := append(append([]byte(nil), call...), 8, 1, 16, 10, 9, 8, 0, 10)
	return [][]byte{
		call,
		append(append([]byte(nil), opened...), 10, 8, 0, 155, 16, 0, 0, 200, 14, 0, 64, 5),
		append(append([]byte(nil), opened...), 2, 2, 0, 20, 10, 8, 0, 5, 4, 2, 0, 200, 5, 2, 1, 200),
		append(append([]byte(nil), opened...), 1, 3, 0, 20, 10, 8, 0, 155, 12, 0, 0, 5, 10, 0, 0, 195),
		append(append([]byte(nil), call...), 8, 1, 32, 10, 14, 0, 128, 10, 12, 8, 0, 20, 13, 0, 0, 5),
		{0, 24, 1, 0, 0, 25, 1, 0, 50, 5, 1, 1, 200, 8, 1, 16, 10, 9, 8, 0, 10, 10, 8, 0, 155},
		{0, 24, 1, 0, 0, 5, 1, 1, 200, 25, 1, 0, 5, 8, 1, 16, 10},
	}
}

// FuzzStep uses the input as events and checks every invariant.
func FuzzStep(f *testing.F) {
	for i, s := range seeds() {
		s[0] = byte(i)
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, data []byte) {
		if len(data) > 4*60 {
			data = data[:4*60]
		}
		p, ms := Decode(data)
		out, broken := Play(p, machine, ms)
		for i := range broken {
			t.Errorf("%v\npolicy %+v\n%s", broken[i].Error(), p, Transcript(out))
		}
	})
}

// TestAnyBytes does the same without a fuzzer, and shortens failures with pgregory.net/rapid.
func TestAnyBytes(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		data := rapid.SliceOfN(rapid.Byte(), 5, 160).Draw(t, "data")
		p, ms := Decode(data)
		out, broken := Play(p, machine, ms)
		for i := range broken {
			t.Errorf("%v\npolicy %+v\n%s", broken[i].Error(), p, Transcript(out))
		}
	})
}

// TestMutantHookAloneChangesNothing checks that mutants are not caught merely because they are wrapped.
func TestMutantHookAloneChangesNothing(t *testing.T) {
	if _, f := Orders(2000, 1, wrap(nil, nil)); f != nil {
		t.Errorf("an unchanged machine in a wrapper fails: %v\n%+v\n%s", f.Violations, f.Policy, Transcript(f.Moments))
	}
}

// TestSeedsReachTheLoop checks that the fuzzer's seeds open the loop.
func TestSeedsReachTheLoop(t *testing.T) {
	opened := 0
	for i, s := range seeds() {
		s[0] = byte(i)
		p, ms := Decode(s)
		out, broken := Play(p, machine, ms)
		if broken != nil {
			t.Errorf("seed %d: %v", i, broken)
		}
		if openedIn(out) {
			opened++
		}
	}
	if opened < 4 {
		t.Errorf("%d of the fuzzer's seeds open the loop; want 4 or more", opened)
	}
}

func openedIn(ms []Moment) bool {
	for i := range ms {
		for j := range ms[i].Effects {
			if ms[i].Effects[j].Kind == supervision.OpenLoop {
				return true
			}
		}
	}
	return false
}
