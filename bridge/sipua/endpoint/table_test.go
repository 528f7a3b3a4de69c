package endpoint

import (
	"testing"

	"github.com/stretchr/testify/require"
)

// A table is copied when three quarters of its largest number of entries are gone, and only if that number was 256.
func TestTableShrinksAtAQuarter(t *testing.T) {
	t.Parallel()
	for _, c := range []struct{ most, left, after int }{{256, 65, 256}, {256, 64, 64}, {255, 1, 255}} {
		var table table[int, int]
		for i := range c.most {
			table.put(i, i)
		}
		for i := c.left; i < c.most; i++ {
			table.remove(i)
		}
		require.Equal(t, c.after, table.most, "%d of %d are left", c.left, c.most)
		require.Equal(t, c.left, table.len())
		require.Equal(t, c.left-1, table.get(c.left-1))
	}
}
