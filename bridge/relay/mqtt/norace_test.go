//go:build !race

package mqtt

const slower = 1
