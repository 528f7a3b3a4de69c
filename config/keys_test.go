package config

import (
	"os"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

// paths returns the path of every key of the tables that read a file ("lines.contact.coil").
func paths(path string, keys []key) (all []string) {
	for _, k := range keys {
		all = append(all, join(path, k.name))
		if k.below != nil {
			all = append(all, paths(join(path, k.name), k.below())...)
		}
	}
	return all
}

// TestKeys compares the keys of the daemon's file and of the agent's file with the frozen list. The tests of deploy
// look for each key of that list in the samples.
func TestKeys(t *testing.T) {
	daemon, agent := paths("", fileKeys(defaults())), paths("", relayKeys(defaultRelay()))
	slices.Sort(daemon)
	slices.Sort(agent)
	frozen, err := os.ReadFile("../cmd/internal/frozen/testdata/keys.txt")
	require.NoError(t, err)
	require.Equal(t, string(frozen), "the daemon's file\n----\n"+strings.Join(daemon, "\n")+
		"\n\nthe agent's file\n----\n"+strings.Join(agent, "\n")+"\n")
}
