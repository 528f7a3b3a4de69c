//go:build !race

package journal

const slowdown = 1
