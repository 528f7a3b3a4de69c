package looks

import (
	"testing"

	"clearback/bridge/programtest"
)

func TestLooks(t *testing.T) { programtest.Need(t, "no-such-program", "no-such-package") }
