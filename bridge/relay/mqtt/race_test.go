//go:build race

package mqtt

// slower is by how much the race detector makes everything so, about.
const slower = 2
