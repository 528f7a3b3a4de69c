//go:build race

package mqtt

// slower is the approximate factor by which the race detector slows the tests down.
const slower = 2
