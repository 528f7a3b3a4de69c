// Package supervision decides about the loop of one line. It is pure: it starts no goroutine, keeps no
// clock, writes no log and opens no socket. Time goes in as an [Instant], effects and the next deadline
// come out as data, and whatever the world did with an effect comes back as the next [Event].
package supervision
