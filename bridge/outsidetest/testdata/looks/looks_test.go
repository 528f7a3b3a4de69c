package looks

import (
	"testing"

	"clearback/bridge/outsidetest"
)

func TestLooks(t *testing.T) { outsidetest.Need(t, "no-such-program", "no-such-package") }
