//go:build !race

package flows

const slow = 1
