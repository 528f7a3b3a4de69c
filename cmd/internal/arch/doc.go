// Package arch holds the tests of the tree itself: who may import whom, what may stand where, and whether pages and
// package comments name what is there. It has no code to run.
package arch
