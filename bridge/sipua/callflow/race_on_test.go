//go:build race

package callflow

// slow is the factor by which everything takes longer under the race detector. The transaction timers are longer by the
// same factor.
const slow = 4
