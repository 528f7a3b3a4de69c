// Package arch holds the tests of the tree itself: which package may import which, which files may exist where, and
// whether pages and package comments name things that exist. It holds tests only.
package arch
