package frozen

import (
	"database/sql"
	"os"
	"path/filepath"
	"strconv"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	_ "modernc.org/sqlite"

	"clearback/bridge/journal"
	"clearback/cmd/internal/cli"
)

// earlier are the commits that wrote the journals of testdata. Those files are dumps of the journals, all of earlier
// versions of the schema.
var earlier = []string{"7b946d3", "5c7dd4f"}

// loadJournal creates the journal of an earlier commit from its dump.
func loadJournal(t *testing.T, path, commit string) {
	t.Helper()
	text, err := os.ReadFile("testdata/journal-" + commit + ".sql")
	require.NoError(t, err)
	db, err := sql.Open("sqlite", "file:"+path+"?_txlock=immediate&_pragma=synchronous(0)")
	require.NoError(t, err)
	db.SetMaxOpenConns(1)
	_, err = db.Exec(string(text))
	require.NoError(t, err)
	require.NoError(t, db.Close())
}

// TestJournals checks that the present code reads the journals of earlier commits with the same result, and that a
// daemon of today can continue them.
func TestJournals(t *testing.T) {
	for _, commit := range earlier {
		t.Run(commit, func(t *testing.T) {
			path := filepath.Join(t.TempDir(), "journal.db")
			loadJournal(t, path, commit)
			_, err := journal.OpenReader(path)
			require.ErrorIs(t, err, journal.ErrOlder)
			// SaveTrust updates the file without adding a run. journal.Open adds one, so it gets a copy.
			copied := filepath.Join(t.TempDir(), "journal.db")
			loadJournal(t, copied, commit)
			for _, file := range []string{path, copied} {
				require.NoError(t, journal.SaveTrust(file, "workshop", journal.Trust{Sense: true, At: evening}))
			}
			saved := journal.Open(journal.Options{Path: copied, Version: "v1.0.0"})
			defer saved.Close()
			var tr transcript
			read(t, &tr, path, saved)
			for _, form := range []string{"--json", "--csv"} {
				code, out, errs := run("calls", form, "--limit", "0", "--journal", path)
				require.Equal(t, cli.ExitOK, code, errs)
				tr.printf("calls %s\n----\n%s\n", form, out)
			}
			r, err := journal.OpenReader(path)
			require.NoError(t, err)
			rows, err := r.Calls(t.Context(), journal.Filter{})
			require.NoError(t, err)
			require.NoError(t, r.Close())
			for _, row := range rows {
				if row.Call != 0 {
					code, _, errs := run("explain", strconv.FormatUint(uint64(row.Call), 10), "--journal", path)
					require.Equal(t, cli.ExitOK, code, errs)
				}
			}
			j := journal.Open(journal.Options{Path: path, Version: "v1.0.0"})
			tr.printf("the next call\n----\n%d\n", j.FirstCall())
			require.NoError(t, j.Close())
			compare(t, "journal-"+commit+".txt", tr.String())
		})
	}
}

// read writes everything that a journal holds to tr. The states of the lines come from saved, since only [journal.Open]
// reads them.
func read(t *testing.T, tr *transcript, path string, saved *journal.Journal) {
	t.Helper()
	r, err := journal.OpenReader(path)
	require.NoError(t, err)
	defer func() { require.NoError(t, r.Close()) }()
	lines, err := r.Lines(t.Context())
	require.NoError(t, err)
	instant := func(at time.Time) string {
		if at.IsZero() {
			return "-"
		}
		return at.UTC().Format(time.RFC3339Nano)
	}
	for _, line := range lines {
		s := saved.SavedLine(line)
		tr.printf("%s\n----\nstayed %d of %q\ncall-back window until %s\n", line, s.Stayed, s.Basis,
			instant(s.CallbackBy))
		tr.printf("%d openings until %s, none until %s\n", s.Recent, instant(s.RecentAt), instant(s.NoOpeningBy))
		tr.printf("probe %t, sense %t, %q at %s\n", s.Trust.Probe, s.Trust.Sense, s.Trust.UserAgent,
			instant(s.Trust.At))
		trials, err := r.Trials(t.Context(), line)
		require.NoError(t, err)
		for _, x := range trials {
			tr.printf("trial %d at %s: call %d, catch %t, asked %s, measured %s, cleared %d by %s, rang up %t\n",
				x.Session, instant(x.At), x.Call, x.Catch, x.Asked, x.Measured, x.Cleared, x.By, x.RangUp)
		}
		tr.printf("\n")
	}
	incidents, err := r.Incidents(t.Context(), "", false, time.Time{})
	require.NoError(t, err)
	tr.printf("incidents\n----\n")
	for _, i := range incidents {
		tr.printf("%s call %d: %s, rule %s, flash %t, %s to %s\n",
			i.Line, i.Call, i.Reason, i.Rule, i.Flash, instant(i.Began), instant(i.Ended))
	}
	losses, err := r.Losses(t.Context(), time.Time{})
	require.NoError(t, err)
	require.Empty(t, losses)
	rows, err := r.Calls(t.Context(), journal.Filter{})
	require.NoError(t, err)
	for i, row := range rows {
		if row.Call == 0 {
			continue
		}
		_, entries, err := r.Call(t.Context(), uint64(row.Call))
		require.NoError(t, err)
		tr.printf("\ncall %d: %d entries\n", row.Call, len(entries))
		if i > 0 {
			continue // the text form of other entries is the same
		}
		for _, e := range entries {
			tr.printf("%s %s\n", instant(e.At), firstOf(e.Event.String(), e.Effect.String()))
		}
	}
	tr.printf("\n")
}

// firstOf returns the event, or the effect if there is no event.
func firstOf(event, effect string) string {
	if event == "none" {
		return effect
	}
	return event
}
