//go:build !race

package callflow

const slow = 1
