// Package deploy has no code: it holds the sample configuration, which is the manual, and the service unit. Its tests load them.
package deploy
