//go:build race

package journal

// slowdown of the code under the race detector: the database, which is compiled from C to Go, suffers most. Our own
// figure.
const slowdown = 2
