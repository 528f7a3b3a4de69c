// Package arch holds the tests of the tree itself: who may import whom, what may stand where. It has no code to run.
package arch
