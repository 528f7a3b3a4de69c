package sessiontimer

import "testing"

// RFC 4028, from memory. The sections are next to the rows.

func TestParse(t *testing.T) {
	for in, want := range map[string]Expires{
		"1800":                          {1800, RefresherNone},
		" 90 ; refresher = UAC ":        {90, UAC},
		`4000;refresher="uas"`:          {4000, UAS},
		"1800;generic=x;refresher=uas":  {1800, UAS},
		"1800;refresher=somebody":       {1800, RefresherNone},
		"":                              {},
		"0":                             {},
		"-1800":                         {},
		"1e3":                           {},
		"soon;refresher=uac":            {},
		"86401":                         {86400, RefresherNone},
		"99999999999999999999999999999": {86400, RefresherNone},
	} {
		if got := Parse(in); got != want {
			t.Errorf("%q: %v, want %v", in, got, want)
		}
	}
	for _, e := range []Expires{{90, RefresherNone}, {1800, UAC}, {4000, UAS}} {
		if got := Parse(e.String()); got != e {
			t.Errorf("%v written is read as %v", e, got)
		}
	}
	if n := Seconds("120;generic=x"); n != 120 {
		t.Errorf("Min-SE of 120 with a parameter: %d", n)
	}
}

// Table 2 of section 9, and the intervals around it.
func TestAgree(t *testing.T) {
	for name, one := range map[string]struct {
		r       Request
		want    int
		answer  Expires
		require bool
		ours    bool
	}{
		"not known, put in by a proxy": {Request{Expires: Expires{1800, RefresherNone}}, 0, Expires{1800, UAS},
			false, true},
		"not known, a proxy's is too short": {Request{Expires: Expires{60, RefresherNone}}, 0, Expires{90, UAS}, false,
			true},
		"not known, nonsense":  {Request{Expires: Expires{1800, UAC}}, 0, Expires{1800, UAS}, false, true},
		"not known, not asked": {Request{}, 1800, Expires{}, false, false},
		"known, we choose": {Request{Supported: true, Expires: Expires{1800, RefresherNone}}, 0,
			Expires{1800, UAS}, true, true},
		"known, uac": {Request{Supported: true, Expires: Expires{1800, UAC}}, 0,
			Expires{1800, UAC}, true, false},
		"known, uas": {Request{Supported: true, Expires: Expires{1800, UAS}}, 0,
			Expires{1800, UAS}, true, true},
		"known, not asked, we ask": {Request{Supported: true}, 1800, Expires{1800, UAS}, true, true},
		"known, not asked, not below": {Request{Supported: true, MinSE: 3600}, 1800, Expires{3600, UAS}, true,
			true},
		"known, nobody asks": {Request{Supported: true}, 0, Expires{}, true, false},
		"not increased by what we want": {Request{Supported: true, Expires: Expires{600, UAC}}, 1800,
			Expires{600, UAC}, true, false},
	} {
		s, answer, require := Agree(one.r, one.want, MinInterval)
		if answer != one.answer || answer.Seconds > 0 && require != one.require ||
			s != (Session{Seconds: one.answer.Seconds, Ours: one.ours}) {
			t.Errorf("%s: %v, %v, require %v; want %v", name, s, answer, require, one)
		}
	}
}

// Section 9: below 90 s a 422 is due, but only if the other end can understand it.
func TestTooShort(t *testing.T) {
	for _, one := range []struct {
		r    Request
		want bool
	}{
		{Request{Supported: true, Expires: Expires{Seconds: 89}}, true},
		{Request{Supported: true, Expires: Expires{Seconds: 90}}, false},
		{Request{Expires: Expires{Seconds: 89}}, false}, {Request{Supported: true}, false},
	} {
		if got := one.r.TooShort(MinInterval); got != one.want {
			t.Errorf("%v: %v", one.r, got)
		}
	}
}

// Sections 7.2 and 10: the refresher refreshes after half the interval. A session ends 32 s or a third of the interval
// before the interval is over, whichever is less.
func TestRefreshAndEnd(t *testing.T) {
	for _, one := range []struct {
		seconds      int
		refresh, end float64
	}{{90, 45, 60}, {96, 48, 64}, {120, 60, 88}, {1800, 900, 1768}} {
		s := Learn(Expires{Seconds: one.seconds, Refresher: UAC})
		if !s.Ours || s.Refresh() != one.refresh || s.End() != one.end {
			t.Errorf("%d s: %v, refresh after %v, end after %v", one.seconds, s, s.Refresh(), s.End())
		}
		if roles := s.Roles(); roles != (Expires{one.seconds, UAC}) {
			t.Errorf("%d s: roles %v", one.seconds, roles)
		}
	}
	if s := Learn(Expires{Seconds: 90, Refresher: UAS}); s.Ours || s.Roles().Refresher != UAS {
		t.Errorf("the other end refreshes: %v", s)
	}
	if s := Learn(Expires{}); s != (Session{}) {
		t.Errorf("no Session-Expires is no timer: %v", s)
	}
}
