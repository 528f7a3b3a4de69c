//go:build race

package callflow

// slow is how much longer all takes under the race detector: the timers of the transactions are shortened less by as
// much.
const slow = 4
