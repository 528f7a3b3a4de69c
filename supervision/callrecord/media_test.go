package callrecord

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"clearback/supervision"
)

func level(dBm0 float64) *float64 { return &dBm0 }

// exampleMedia is a far end that fell silent 41 s before the clearing, and an adapter with all counts.
func exampleMedia(cleared time.Time) Media {
	return Media{
		FarEnd: Reception{Packets: 1998, Lost: 2, Late: 1, Jitter: 1.26, Last: cleared.Add(-41400 * time.Millisecond),
			Level: level(-23.4)},
		Adapter: Reception{Packets: 1, SSRCChanges: 1, ComfortNoise: 2, Digits: 3, Last: cleared.Add(time.Second)},
	}
}

// TestExplainMedia checks the paragraph on the sound, and that a silence ends with the clearing, not with the record.
func TestExplainMedia(t *testing.T) {
	entries := entriesOf(t, heldCallScript)
	a := one(t, heldCallScript)
	require.NotContains(t, Explain(a, entries, 140), "Sound:", "media was not relayed")
	m := exampleMedia(a.Cleared)
	a.Media = &m
	assert.Contains(t, Explain(a, entries, 100), "\n"+
		"Sound: 1998 packets came from the far end: lost 0.1 %, 1 late, jitter 1.3 ms, level -23 dBm0; silent\n"+
		"       for the last 41 s before the clearing. 1 packet came from the adapter: lost 0 %, 0 late,\n"+
		"       jitter 0.0 ms, 1 change of SSRC, 2 packets of comfort noise, 3 digits.\n"+
		"Why:   ")
	assert.Zero(t, m.FarEnd.Silent, "the stored media stays as it is")
	a.Media = &Media{}
	adopted := Entry{Event: supervision.Event{Kind: supervision.CallAdopted, Call: a.Call + 1}}
	const nothing = "Sound: Nothing was heard from the far end. Nothing was heard from the adapter."
	assert.Contains(t, Explain(a, append(entries, adopted), 140), nothing+"\n", "another call")
	adopted.Event.Call = a.Call
	assert.Contains(t, Explain(a, append(entries, adopted), 140), nothing+
		" These counts begin at the daemon's restart.\n")
}

// TestMediaText: fax packets are no silence (ITU-T T.38 replaces the sound of a call), and packets that were dropped
// are not nothing.
func TestMediaText(t *testing.T) {
	for want, r := range map[string]Reception{
		"Nothing was heard from the adapter.":                                              {Lost: 7},
		"12 fax packets came from the adapter.":                                            {Fax: 12, Dropped: 1, Silent: 1999},
		"1 fax packet came from the adapter; silent for the last 3 s before the clearing.": {Fax: 1, Silent: 3000},
		"No sound was accepted from the adapter; dropped 1 packet.":                        {Dropped: 1},
		"No sound was accepted from the adapter; dropped 20 packets.":                      {Dropped: 20},
		"5 packets came from the adapter: lost 0 %, 0 late, jitter 0.0 ms, 2 fax packets.": {Packets: 5, Fax: 2,
			Dropped: 3},
	} {
		assert.Equal(t, want, r.text("adapter"))
	}
}

// TestSilence: a silence shorter than 2 s before the clearing is not mentioned. Without a clearing there is none.
func TestSilence(t *testing.T) {
	a := one(t, heldCallScript)
	for ago, silent := range map[time.Duration]string{1999 * time.Millisecond: "",
		2 * time.Second: "; silent for the last 2 s before the clearing"} {
		a.Media = &Media{FarEnd: Reception{Packets: 1, Last: a.Cleared.Add(-ago)}}
		assert.Equal(t, float64(ago.Milliseconds()), a.JSON().Media.FarEnd.Silent)
		assert.Equal(t, "1 packet came from the far end: lost 0 %, 0 late, jitter 0.0 ms"+silent+
			". Nothing was heard from the adapter.", a.media().text(false))
	}
	a.Cleared = time.Time{}
	assert.Zero(t, a.JSON().Media.FarEnd.Silent)
	a.Media = nil
	assert.Nil(t, a.JSON().Media)
}

// TestMediaBrief checks the words of `lines`, and the share of lost packets: of those that were sent.
func TestMediaBrief(t *testing.T) {
	now := at(0)
	m := Media{FarEnd: Reception{Packets: 999, Lost: 1, Last: now.Add(-240 * time.Millisecond)}}.Until(now)
	assert.Equal(t, "far end heard 0.2 s ago, lost 0.1 %; adapter not heard yet", m.Brief())
	for lost, want := range map[int64]string{0: "0 %", -3: "0 %", 1: "0.1 %", 10: "1 %", 999: "50 %", 25: "2.4 %"} {
		assert.Equal(t, want, (&Reception{Packets: 999, Lost: lost}).lostShare(), lost)
	}
	assert.Equal(t, "less than 0.1 %", (&Reception{Packets: 5000, Lost: 1}).lostShare())
	fax := Media{FarEnd: Reception{Fax: 9, Silent: 240}}
	assert.Equal(t, "far end heard 0.2 s ago; adapter not heard yet", fax.Brief())
	later := Media{Adapter: Reception{Packets: 1, Last: now.Add(time.Second)}}.Until(now)
	assert.Zero(t, later.Adapter.Silent, "the clock was set back")
}

// TestAddMedia: the media comes when the call's ports are closed, before or after its outcome is known. It stays with
// the account. A call that the recorder does not know has no account.
func TestAddMedia(t *testing.T) {
	entries := entriesOf(t, heldCallScript)
	for _, first := range []int{1, len(entries)} {
		r := NewRecorder("box-office")
		var last Account
		take := func(from, to int) {
			for _, e := range entries[from:to] {
				if accounts, _ := r.Take(e); len(accounts) > 0 {
					last = accounts[0]
				}
			}
		}
		take(0, first)
		m := exampleMedia(at(0))
		a := r.AddMedia(1, m)
		require.NotNil(t, a)
		assert.Equal(t, &m, a.Media)
		last = *a
		take(first, len(entries))
		assert.Equal(t, &m, last.Media)
		assert.Equal(t, ClearedByFarEnd, last.ClearedBy)
		assert.Nil(t, r.AddMedia(2, m))
		assert.Nil(t, r.AddMedia(supervision.CallID(0), m), "an operator's pulse")
	}
}
