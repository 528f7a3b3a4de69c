// Package alarm decides who is told what and when: which alarms stand, when each is told, told again and told ended,
// and what goes into one message. It is pure: reports and the time go in, messages and the next deadline come out.
//
//   - An urgent alarm is told at once: an emergency call in a message of its own, loops in a message about all those
//     that are due, at most one a second. Neither quiet hours nor the limit of messages delay it.
//   - Ordinary alarms are gathered for a short time and told together, at most [Settings.PerHour] messages in an hour,
//     and none in quiet hours. What is held back is told in the next message.
//   - What lasts is told again every [Settings.Repeat]. What was told is told ended once.
//   - An alarm counts as ended once it has stayed away for a minute, or for twice as long each time it has come back.
//     So an alarm that comes and goes sends few messages and, once told, counts as standing.
//   - An event, such as an emergency call that failed, begins and ends at once. Each is told. Beyond
//     [eventsPerHour] in an hour for one line, the next message tells how many there were.
//   - The summary of a week is a message of its own. It waits for the end of quiet hours, and does not count towards
//     the limit of messages. It is told once, even if the clock is set back or the daemon restarts.
package alarm
