package tuning

import (
	"math/rand/v2"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"

	"clearback/supervision/window"
)

// What a session recommends is possible by the window that has its release time.
func TestReleaseLeavesRoomForTheRecommendation(t *testing.T) {
	for release := 280 * ms; release < 900*ms; release += 37 * ms {
		p := plan(uint64(release))
		_, r := run(t, p, above(release))
		if r.Verdict != Found {
			assert.Zero(t, r.Release)
			continue
		}
		l := p.Window
		l.Release = window.Band{Min: r.Release, Max: r.Release}
		assert.True(t, window.Of(l, window.WorstCase).Allows(r.Recommended), "%s: release %s, recommended %s", release,
			r.Release, r.Recommended)
		assert.Positive(t, r.Release)
		assert.LessOrEqual(t, r.Release, r.Bound)
	}
}

// A card that changes its state with each break has no threshold: no length is named, nor a shorter lead advised.
// (Where the first break clears it, the trials that follow happen to agree with a threshold, and nothing can tell.)
func TestCardIndependentOfLength(t *testing.T) {
	for seed := range uint64(50) {
		held := false
		_, r := run(t, plan(seed), func(_ int, _ time.Duration, catch bool) Trial {
			if catch {
				return Trial{Answer: Stayed}
			}
			if held = !held; held {
				return Trial{Answer: Stayed}
			}
			return Trial{Answer: Cleared}
		})
		assert.Equal(t, Contradictory, r.Verdict, "seed %d: %s", seed, r.Text)
		assert.NotContains(t, r.Text, "shorten")
		assert.NotContains(t, r.Text, "releases a hold after")
	}
}

// Nor has one that lets go by chance: only where its answers look like a threshold is room for one asked for.
func TestCardThatReleasesAtRandom(t *testing.T) {
	for seed := range uint64(100) {
		random := rand.New(rand.NewPCG(seed, 1))
		_, r := run(t, plan(seed), func(_ int, _ time.Duration, catch bool) Trial {
			if catch || random.IntN(2) == 0 {
				return Trial{Answer: Stayed}
			}
			return Trial{Answer: Cleared}
		})
		if r.Verdict == NoRoom {
			assert.True(t, dependsOnLength(r.Trials), r.Text)
		}
	}
}
