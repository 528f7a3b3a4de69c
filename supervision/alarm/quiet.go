package alarm

import "time"

// Quiet are the quiet hours of each day, in minutes after midnight, local time. From is included, To is not. If To is
// before From, they include midnight. The zero value means none.
type Quiet struct{ From, To int }

// Left returns how long the quiet hours still last at that time, by the clock on the wall; 0: it is not quiet.
func (q Quiet) Left(at time.Time) time.Duration {
	minute := at.Hour()*60 + at.Minute()
	end := at.Day()
	switch {
	case q.From == q.To:
		return 0
	case q.From < q.To && (minute < q.From || minute >= q.To):
		return 0
	case q.From > q.To && minute < q.From && minute >= q.To:
		return 0
	case q.From > q.To && minute >= q.From:
		end++
	}
	left := time.Date(at.Year(), at.Month(), end, q.To/60, q.To%60, 0, 0, at.Location()).Sub(at)
	return max(left, time.Second) // a clock that is put back in the last hour
}
