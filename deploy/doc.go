// Package deploy has no code. It holds the sample configurations, which are the manuals, the pages beside them, and the
// service units. Its tests check them.
package deploy
