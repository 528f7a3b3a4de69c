package rehearsal

import (
	"slices"
	"strings"
	"sync"
	"time"
)

// entry is one observation of a scene. who did or observed it. place is the line, the far end's number or the
// controller.
type entry struct {
	at               time.Time
	place, who, text string
}

// timeline records the observations of a scene. Its methods may be called from any goroutine.
type timeline struct {
	mu      sync.Mutex
	entries []entry
	zero    time.Time
	// the place and text of the entry whose time becomes zero
	zeroPlace, zeroText string
}

// add records one observation.
func (t *timeline) add(at time.Time, place, who, text string) {
	t.mu.Lock()
	defer t.mu.Unlock()
	t.entries = append(t.entries, entry{at, place, who, text})
	if t.zero.IsZero() && t.zeroText != "" && place == t.zeroPlace && text == t.zeroText {
		t.zero = at
	}
}

// zeroOn makes the next entry with that place and text the zero of the times in the report.
func (t *timeline) zeroOn(place, text string) {
	t.mu.Lock()
	defer t.mu.Unlock()
	t.zeroPlace, t.zeroText = place, text
}

// hungUp returns the zero of the times. It returns false if that has not been set yet.
func (t *timeline) hungUp() (time.Time, bool) {
	t.mu.Lock()
	defer t.mu.Unlock()
	return t.zero, !t.zero.IsZero()
}

// find returns the first entry at or after the zero whose text contains all words.
func (t *timeline) find(place, who string, words ...string) (entry, bool) {
	return t.earliest(place, who, func(text string) bool { return containsAll(text, words) })
}

// first returns the first entry at or after the zero whose text contains one of the words.
func (t *timeline) first(place, who string, words ...string) (entry, bool) {
	return t.earliest(place, who, func(text string) bool {
		return slices.ContainsFunc(words, func(w string) bool { return strings.Contains(text, w) })
	})
}

func (t *timeline) earliest(place, who string, is func(text string) bool) (entry, bool) {
	t.mu.Lock()
	defer t.mu.Unlock()
	var best entry
	for _, e := range t.entries {
		if e.place != place || e.who != who || e.at.Before(t.zero) || !is(e.text) {
			continue
		}
		if best.at.IsZero() || e.at.Before(best.at) {
			best = e
		}
	}
	return best, !best.at.IsZero()
}

func containsAll(s string, words []string) bool {
	return !slices.ContainsFunc(words, func(w string) bool { return !strings.Contains(s, w) })
}

// sorted returns all entries in order of time.
func (t *timeline) sorted() []entry {
	t.mu.Lock()
	defer t.mu.Unlock()
	out := slices.Clone(t.entries)
	slices.SortStableFunc(out, func(a, b entry) int { return a.at.Compare(b.at) })
	return out
}
