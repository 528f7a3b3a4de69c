// Package arch has no code: its tests hold the whole tree to its rules, imports first.
package arch
