package tuning

import (
	"math/rand/v2"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"

	"clearback/supervision/window"
)

// The recommendation of a session is possible in the window that has the session's release time.
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

// A card that changes its state with each opening has no threshold. No length must be named and no shorter lead
// advised. (If the first opening clears the hold, the trials that follow happen to agree with a threshold, which
// nothing can reveal.)
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

// A card that releases at random has no threshold either. The text may ask for room only if the answers look like one.
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
