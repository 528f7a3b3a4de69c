package journal

import (
	"database/sql"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"clearback/supervision/callrecord"
)

// TestMedia: the media of a call is stored with its account. Calls of an earlier version, and calls whose media text
// cannot be read, are read without it.
func TestMedia(t *testing.T) {
	path := makeVersion(t, 4)
	j := open(options(t, path), quick())
	s := heldCallScript("box-office", start, j.FirstCall(), "on")
	s.into(j)
	written(t, j)
	r := reader(t, path)
	before, err := r.Calls(ctx, Filter{})
	require.NoError(t, err)
	require.Greater(t, len(before), 1)
	for _, row := range before {
		require.Nil(t, row.Media)
	}

	quiet, loud := -90.0, -20.1
	m := callrecord.Media{
		Adapter: callrecord.Reception{Packets: 1 << 40, Lost: -3, Late: 4, Jitter: 1.125, SSRCChanges: 5,
			ComfortNoise: 6, Digits: 7, SenderReports: 8, ReceiverReports: 9, Goodbyes: 10,
			Last: start.Add(time.Second).UTC().Truncate(time.Microsecond), Level: &quiet},
		FarEnd: callrecord.Reception{Packets: 2, Level: &loud},
	}
	a := before[len(before)-1].Account
	a.Media = &m
	j.AppendAccount(a)
	require.NoError(t, j.Close())
	row, _, err := reader(t, path).Call(ctx, uint64(a.Call))
	require.NoError(t, err)
	assert.Equal(t, a, row.Account)

	db, err := sql.Open("sqlite", dsn(path, "mode=rw"))
	require.NoError(t, err)
	_, err = db.Exec(`UPDATE calls SET media = '{"adapter":{"packets":1,"lost":"many"}}' WHERE call = ?`, int64(a.Call))
	require.NoError(t, err)
	require.NoError(t, db.Close())
	row, _, err = reader(t, path).Call(ctx, uint64(a.Call))
	require.NoError(t, err)
	a.Media = nil
	assert.Equal(t, a, row.Account)
}
