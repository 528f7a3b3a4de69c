//go:build race

package journal

// slowdown is how much slower the code is under the race detector. The database suffers most, since it is compiled from
// C to Go. Our own figure.
const slowdown = 2
