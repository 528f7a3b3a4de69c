package backup

import (
	"database/sql"
	"fmt"
	"io"
	"io/fs"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"clearback/bridge/control"
	"clearback/bridge/journal"
	"clearback/bridge/runtimestate"
	"clearback/supervision"
)

var (
	now      = time.Now().UTC().Truncate(time.Microsecond) // the journal's resolution
	learnt   = journal.SavedLine{Line: "box-office", Stayed: 2, Basis: "800ms"}
	believed = journal.Trust{Probe: true, UserAgent: "Millrace ATA 3", At: now.Add(-time.Hour)}
)

// What protects people in the present journal outlasts a restore. What the lines have learnt comes from the archive.
// Each case is a line.
func TestRestoreKeepsProtection(t *testing.T) {
	t.Parallel()
	type change = func(*journal.SavedLine)
	same := func(*journal.SavedLine) {}
	windowUntil := func(at time.Time) change { return func(k *journal.SavedLine) { k.CallbackBy = at } }
	trust := func(to journal.Trust) change { return func(k *journal.SavedLine) { k.Trust = to } }
	withdrawn := trust(journal.Trust{At: now})
	openings := func(n int, at time.Time) change { return func(k *journal.SavedLine) { k.Recent, k.RecentAt = n, at } }
	tested := func(passed, failed time.Time) change {
		return func(k *journal.SavedLine) { k.Second = journal.SecondServer{Passed: passed, Failed: failed} }
	}
	soon := now.Add(20 * time.Minute)
	cases := map[string]struct{ archived, present, want change }{
		"a call-back window":          {archived: same, present: windowUntil(soon), want: windowUntil(soon)},
		"an earlier call-back window": {windowUntil(soon), windowUntil(now.Add(-time.Hour)), windowUntil(soon)},
		"a pause after a storm": {
			archived: same,
			present:  func(k *journal.SavedLine) { k.NoOpeningBy = soon },
			want:     func(k *journal.SavedLine) { k.NoOpeningBy = soon }},
		"recent openings":                        {openings(1, now.Add(-time.Hour)), openings(5, now), openings(5, now)},
		"earlier openings":                       {openings(5, now), openings(1, now.Add(-time.Hour)), openings(5, now)},
		"trust that was withdrawn later":         {archived: same, present: withdrawn, want: withdrawn},
		"trust that was earned again since then": {same, trust(journal.Trust{At: believed.At.Add(-time.Hour)}), same},
		"trust that was earned later":            {trust(journal.Trust{}), same, same},
		"a test of the second server that failed later": {tested(now.Add(-time.Hour), time.Time{}),
			tested(time.Time{}, now), tested(now.Add(-time.Hour), now)},
		"a test of the second server that passed before": {tested(now, time.Time{}),
			tested(now.Add(-time.Hour), now.Add(-time.Minute)), tested(now, now.Add(-time.Minute))},
		"trust from the future, withdrawn before": {trust(journal.Trust{Probe: true, At: soon}), withdrawn, withdrawn},
	}
	line := func(name string, change change) journal.SavedLine {
		k := learnt
		k.Line, k.Trust = name, believed
		change(&k)
		return k
	}
	c := installed(t)
	var all []journal.SavedLine
	for name, x := range cases {
		all = append(all, line(name, x.archived))
	}
	save(t, c, all...)
	archive, _ := made(t, c, false)
	require.NoError(t, os.Remove(journalOf(c)))
	all = []journal.SavedLine{line("a line that the archive does not know", windowUntil(soon))}
	for name, x := range cases {
		k := line(name, x.present)
		k.Stayed = 7
		all = append(all, k)
	}
	save(t, c, all...)
	done := restore(t, archive, c)
	assert.False(t, done.Unknown)
	j := journal.Open(journal.Options{Path: journalOf(c)})
	defer j.Close()
	for name, x := range cases {
		assert.Equal(t, line(name, x.want), j.SavedLine(name), name)
	}
	assert.Equal(t, all[0], j.SavedLine(all[0].Line))
}

// The daemon was killed during an emergency call. It cannot take the call up again after a restore, so the emergency
// centre may call back.
func TestEmergencyCallInProgress(t *testing.T) {
	c := installed(t)
	save(t, c, learnt, journal.SavedLine{Line: "stage-door"})
	archive, _ := made(t, c, false)
	inProgress(t, c)
	restore(t, archive, c)
	windowBegan(t, c)
	assert.Zero(t, saved(t, c, "stage-door").CallbackBy)

	// Some starts later, nobody has seen its end. After two days nobody waits for that.
	for age, want := range map[time.Duration]bool{time.Hour: true, 49 * time.Hour: false} {
		c := installed(t)
		inProgress(t, c)
		save(t, c)
		harm(t, journalOf(c), fmt.Sprintf("UPDATE calls SET began = %d", time.Now().Add(-age).UnixMicro()))
		restore(t, archive, c)
		assert.Equal(t, want, !saved(t, c, "box-office").CallbackBy.IsZero(), age)
	}

	// The same with an archive that has no journal.
	without := aFile(t, forge(t, []item{named(nameConfiguration, small)}, nil))
	other := installed(t)
	inProgress(t, other)
	done, err := Restore(t.Context(), Options{Archive: without, Config: other})
	require.NoError(t, err)
	assert.False(t, done.Unknown)
	k := windowBegan(t, other)
	assert.Equal(t, 2, k.Stayed)
}

// Only the runtime state knows an emergency call. Restore drops that state, but at no moment is the call forgotten.
func TestEmergencyCallInRuntimeState(t *testing.T) {
	c := installed(t)
	save(t, c, learnt, journal.SavedLine{Line: "stage-door"})
	archive, _ := made(t, c, false)
	dir := filepath.Dir(c)
	put(t, filepath.Join(dir, "control.state/call-7.json"), `{"Line":"box-office","Emergency":true}`, 0o600)
	put(t, filepath.Join(dir, "control.state/call-8.json"), `{"Line":"stage-door","Emergency":false}`, 0o600)
	var states []string // what a kill at that moment leaves
	_, err := restoreWith(t.Context(), Options{Archive: archive, Config: c}, hooks{step: func() error {
		states = append(states, filepath.Join(t.TempDir(), "killed"))
		return os.CopyFS(states[len(states)-1], os.DirFS(dir))
	}})
	require.NoError(t, err)
	for _, at := range append(states, dir) {
		if _, err := os.Stat(filepath.Join(at, "control.state/call-7.json")); err == nil && at != dir {
			continue
		}
		windowBegan(t, filepath.Join(at, "clearback.yaml"))
	}
	require.Zero(t, saved(t, c, "stage-door").CallbackBy)
}

// Only the copy of the state that is for a power cut knows an emergency call. Restore drops that copy too.
func TestEmergencyCallBeforeAPowerCut(t *testing.T) {
	c := filepath.Join(t.TempDir(), "clearback.yaml")
	socket := filepath.Join(t.TempDir(), "control")
	put(t, c, small+"control: {socket: "+socket+"}\n", 0o640)
	save(t, c, learnt)
	archive, _ := made(t, c, false)
	copies := runtimestate.CopyFolder(socket, journalOf(c))
	put(t, filepath.Join(copies, "call-7.json"), `{"Line":"box-office","Emergency":true}`, 0o600)
	_, err := Restore(t.Context(), Options{Archive: archive, Config: c})
	require.NoError(t, err)
	assert.NoFileExists(t, filepath.Join(copies, "call-7.json"))
	assert.WithinDuration(t, time.Now().Add(30*time.Minute), saved(t, c, "box-office").CallbackBy, time.Minute)
}

// The longest of three windows counts: that of the archive, that of the present file, and the default.
func TestLongestWindow(t *testing.T) {
	window := func(length string) string { return small + "emergency: {callback_window: " + length + "}\n" }
	short := aFile(t, forge(t, []item{named(nameConfiguration, window("15m"))}, nil))
	long := aFile(t, forge(t, []item{named(nameConfiguration, window("3h"))}, nil))
	for _, x := range []struct {
		archive, present string
		want             time.Duration
	}{{short, "15m", 30 * time.Minute}, {short, "2h", 2 * time.Hour}, {long, "2h", 3 * time.Hour}} {
		c := filepath.Join(t.TempDir(), "clearback.yaml")
		put(t, c, window(x.present), 0o640)
		_, err := Restore(t.Context(), Options{Archive: x.archive, Config: c})
		require.NoError(t, err)
		assert.WithinDuration(t, time.Now().Add(x.want), saved(t, c, "box-office").CallbackBy, time.Minute)
	}
}

// Another program is reading the journal, so that its log cannot be brought into it. Nothing changes.
func TestReaderNeedsTheLog(t *testing.T) {
	c := installed(t)
	archive, _ := made(t, c, false)
	window := learnt
	window.CallbackBy = now.Add(20 * time.Minute)
	killed(t, c, window)
	db, err := sql.Open("sqlite", "file:"+journalOf(c))
	require.NoError(t, err)
	defer db.Close()
	tx, err := db.BeginTx(t.Context(), &sql.TxOptions{ReadOnly: true})
	require.NoError(t, err)
	_, err = tx.Exec("SELECT count(*) FROM lines")
	require.NoError(t, err)
	require.NoError(t, journal.SaveTrust(journalOf(c), "box-office", journal.Trust{At: now})) // after what is being read
	text, err := os.ReadFile(c)
	require.NoError(t, err)
	put(t, c, string(text)+"# edited\n", 0o640)
	_, err = Restore(t.Context(), Options{Archive: archive, Config: c})
	require.ErrorIs(t, err, journal.ErrInUse)
	require.NoError(t, tx.Rollback())
	after, err := os.ReadFile(c)
	require.NoError(t, err)
	require.Contains(t, string(after), "# edited")
	require.Equal(t, window.CallbackBy, saved(t, c, "box-office").CallbackBy)
}

// inProgress puts an emergency call that has not ended into the journal beside a configuration.
func inProgress(t *testing.T, configuration string) {
	t.Helper()
	harm(t, journalOf(configuration), `INSERT INTO calls SELECT 1, 1, 1, id, 7, 1, 1, 0, '999', '', '', 1, 1, NULL, NULL,
		0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, NULL, 1, 1, 0, 0, NULL FROM lines WHERE name = 'box-office'`)
}

// Without a readable journal nobody knows whether an emergency centre may call back, so a window begins. If there is
// one that cannot be read, it may hold more: a storm, or a withdrawal of trust.
func TestUnreadableJournal(t *testing.T) {
	t.Parallel()
	for name, x := range map[string]struct {
		harm  func(t *testing.T, configuration string)
		trust bool
	}{
		"there is none": {harm: func(t *testing.T, c string) { require.NoError(t, os.Remove(journalOf(c))) }, trust: true},
		"an empty file": {harm: func(t *testing.T, c string) { put(t, journalOf(c), "", 0o640) }, trust: true},
		"a damaged one": {harm: func(t *testing.T, c string) {
			put(t, journalOf(c), strings.Repeat("The Millrace Playhouse presents. ", 200), 0o640)
			put(t, journalOf(c)+walSuffix, "a log", 0o640)
		}},
		"one of a newer version": {harm: func(t *testing.T, c string) {
			harm(t, journalOf(c), "PRAGMA user_version = 4711")
		}},
		"one without its table": {harm: func(t *testing.T, c string) { harm(t, journalOf(c), "DROP TABLE lines") }},
		"it may be anywhere":    {harm: func(t *testing.T, c string) { put(t, c, "{[", 0o640) }},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			c := installed(t)
			archived := learnt
			archived.Trust = believed
			save(t, c, archived)
			archive, _ := made(t, c, false)
			x.harm(t, c)
			damaged, _ := os.ReadFile(journalOf(c))
			done := restore(t, archive, c)
			assert.True(t, done.Unknown)
			k := windowBegan(t, c)
			assert.Equal(t, 2, k.Stayed)
			assert.Equal(t, x.trust, k.Trust.Probe)
			if x.trust {
				assert.Zero(t, k.NoOpeningBy)
				return
			}
			assert.WithinDuration(t, time.Now().Add(supervision.BreakerPause), k.NoOpeningBy, time.Minute)
			kept, err := os.ReadFile(filepath.Join(done.Kept[len(done.Kept)-2]))
			require.NoError(t, err)
			assert.Equal(t, damaged, kept)
		})
	}
}

// killed leaves a journal as a killed daemon leaves it: the state is in the write-ahead log only.
func killed(t *testing.T, configuration string, k journal.SavedLine) {
	t.Helper()
	path := journalOf(configuration)
	j := journal.Open(journal.Options{Path: path})
	j.SaveLine(k)
	require.Eventually(t, func() bool { return j.Health().Queued == 0 }, 10*time.Second, time.Millisecond)
	copies := map[string][]byte{}
	for _, ending := range []string{"", walSuffix, "-shm"} {
		text, err := os.ReadFile(path + ending)
		require.NoError(t, err)
		copies[ending] = text
	}
	require.NoError(t, j.Close())
	for ending, text := range copies {
		put(t, path+ending, string(text), 0o640)
	}
}

// The daemon was killed in a call-back window, and then its files are restored. Wherever the restore is killed too,
// every file is the old or the new one, the window is still there, and the restore can be repeated.
func TestKilledAtEachStep(t *testing.T) {
	t.Parallel()
	c := installed(t)
	archive, _ := made(t, c, true)
	put(t, c, strings.Replace(playhouse, "ELSEWHERE", "service", 1), 0o640)
	put(t, filepath.Join(filepath.Dir(c), "secrets/adapter"), "greasepaint\n", 0o600)
	window := learnt
	window.Stayed, window.CallbackBy = 7, now.Add(20*time.Minute)
	killed(t, c, window)

	var states []string // what a kill at that moment leaves
	snapshot := func() error {
		to := filepath.Join(t.TempDir(), "killed")
		states = append(states, to)
		return os.CopyFS(to, os.DirFS(filepath.Dir(c)))
	}
	_, err := restoreWith(t.Context(), Options{Archive: archive, Config: c}, hooks{step: snapshot})
	require.NoError(t, err)
	require.NoError(t, snapshot())
	require.Greater(t, len(states), 10)
	whole := func(t *testing.T, path string, allowed ...string) {
		text, err := os.ReadFile(path)
		require.NoError(t, err)
		require.Contains(t, allowed, string(text))
	}
	text, err := os.ReadFile(c)
	require.NoError(t, err)
	for _, dir := range states {
		at := filepath.Join(dir, "clearback.yaml")
		whole(t, at, string(text), strings.Replace(playhouse, "ELSEWHERE", "service", 1))
		whole(t, filepath.Join(dir, "secrets/adapter"), "greasepaint\n", "trapdoor\n")
		again := filepath.Join(t.TempDir(), "again")
		require.NoError(t, os.CopyFS(again, os.DirFS(dir)))
		k := saved(t, at, "box-office")
		require.Equal(t, window.CallbackBy, k.CallbackBy, "the daemon starts in that state")
		require.Contains(t, []int{2, 7}, k.Stayed)

		at = filepath.Join(again, "clearback.yaml")
		restore(t, archive, at)
		whole(t, at, string(text))
		whole(t, filepath.Join(again, "secrets/adapter"), "trapdoor\n")
		k = saved(t, at, "box-office")
		require.Equal(t, window.CallbackBy, k.CallbackBy)
		require.Equal(t, 2, k.Stayed)
		require.NoError(t, filepath.WalkDir(again, func(path string, _ fs.DirEntry, err error) error {
			require.NotEqual(t, waitingSuffix, filepath.Ext(path))
			return err
		}))
	}
}

// The journal was moved away or deleted, but not its write-ahead log, which SQLite would apply to the restored journal
// and so destroy it.
func TestLogWithoutItsJournal(t *testing.T) {
	c := installed(t)
	archive, _ := made(t, c, false)
	path := journalOf(c)
	// A log with pages that the restored journal does not have.
	db, err := sql.Open("sqlite", "file:"+path+"?_pragma=wal_autocheckpoint(0)")
	require.NoError(t, err)
	db.SetMaxOpenConns(1)
	for i := range 50 {
		_, err = db.Exec("INSERT INTO events(line, id, at, text) VALUES(1, ?, 1, ?)", 100+i, strings.Repeat("x", 3000))
		require.NoError(t, err)
	}
	log, err := os.ReadFile(path + walSuffix)
	require.NoError(t, err)
	require.NoError(t, db.Close())
	require.NoError(t, os.Remove(path))
	put(t, path+walSuffix, string(log), 0o640)
	put(t, path+rollbackSuffix, "a log of the other kind", 0o640)
	done := restore(t, archive, c)
	assert.True(t, done.Unknown)
	assert.NoFileExists(t, path+rollbackSuffix)
	k := windowBegan(t, c) // no problem is found
	assert.WithinDuration(t, time.Now().Add(supervision.BreakerPause), k.NoOpeningBy, time.Minute, "it might hold one")
	require.Len(t, done.Kept, 3)
	kept, err := os.ReadFile(done.Kept[0])
	require.NoError(t, err)
	assert.Equal(t, log, kept)
}

// Another program, such as `calls --follow`, has the journal open while it is replaced. Its shared memory and its log,
// which is empty, must not come to the new journal. The daemon is another process than that program.
func TestReaderHasTheJournalOpen(t *testing.T) {
	c := installed(t)
	archive, _ := made(t, c, false)
	window := learnt
	window.CallbackBy = now.Add(20 * time.Minute)
	save(t, c, window)
	// The log remains until the daemon ends, so a reader can open the journal with it.
	path := journalOf(c)
	j := journal.Open(journal.Options{Path: path})
	j.SaveLine(window)
	for range 3 { // a larger journal than that of the archive
		harm(t, path, `WITH RECURSIVE n(i) AS (SELECT 1 UNION ALL SELECT i + 1 FROM n WHERE i < 100)
			INSERT INTO trials(line, session, at, call, catch, asked, measured, cleared, by, rang_up)
			SELECT 1, hex(randomblob(500)), i, 1, 0, 1, 1, 1, 1, 0 FROM n`)
	}
	program, err := os.Executable()
	require.NoError(t, err)
	reader := exec.Command(program, "read", path)
	in, err := reader.StdinPipe()
	require.NoError(t, err)
	out, err := reader.StdoutPipe()
	require.NoError(t, err)
	require.NoError(t, reader.Start())
	_, err = io.ReadFull(out, make([]byte, len("reading\n")))
	require.NoError(t, err)
	require.NoError(t, j.Close())
	require.FileExists(t, path+shmSuffix, "the reader has it open")

	restore(t, archive, c)
	assert.NoFileExists(t, path+walSuffix)
	assert.NoFileExists(t, path+shmSuffix)
	k := saved(t, c, "box-office")
	assert.Equal(t, window.CallbackBy, k.CallbackBy)
	assert.Equal(t, 2, k.Stayed)
	require.NoError(t, in.Close())
	require.NoError(t, reader.Wait())
	assert.Equal(t, 2, saved(t, c, "box-office").Stayed)
}

// Neither the archive nor this machine has a journal, or one that can be read. The window that is promised begins.
func TestArchiveWithoutJournal(t *testing.T) {
	for name, harm := range map[string]func(t *testing.T, configuration string){
		"no journal": func(*testing.T, string) {},
		"a damaged one": func(t *testing.T, c string) {
			put(t, journalOf(c), strings.Repeat("The Millrace Playhouse presents. ", 200), 0o640)
		},
		"it may be anywhere": func(t *testing.T, c string) {
			save(t, c, learnt)
			put(t, c, "{[", 0o640)
		},
	} {
		t.Run(name, func(t *testing.T) {
			c := installed(t)
			require.NoError(t, os.Remove(journalOf(c)))
			archive, _ := made(t, c, false)
			harm(t, c)
			done := restore(t, archive, c)
			assert.True(t, done.Unknown)
			k := windowBegan(t, c)
			assert.Equal(t, name != "no journal", !k.NoOpeningBy.IsZero())
			assert.Equal(t, name == "it may be anywhere", k.Stayed == 2, "what it knew stays")
		})
	}
}

// A daemon that keeps no journal starts while a restore is under way. Before anything is replaced, the restore gives
// up. Later it says that the daemon must be restarted, and leaves that daemon's state alone.
func TestDaemonStartsInTheMiddle(t *testing.T) {
	c := installed(t)
	archive, _ := made(t, c, false)
	state := filepath.Join(runtimestate.Folder(filepath.Join(filepath.Dir(c), "control")), "bindings.json")
	put(t, state, "{}", 0o600)
	last := 0 // the number of steps
	_, err := restoreWith(t.Context(), Options{Archive: archive, Config: c}, hooks{step: func() error {
		last++
		return nil
	}})
	require.NoError(t, err)
	require.NoFileExists(t, state)
	put(t, state, "{}", 0o600)
	for _, at := range []int{1, last} {
		before := tree(t, filepath.Dir(c))
		n := 0
		var s *control.Server
		_, err := restoreWith(t.Context(), Options{Archive: archive, Config: c}, hooks{step: func() (err error) {
			if n++; n == at {
				put(t, state, "{}", 0o600)
				s, err = control.Listen(control.Options{Path: filepath.Join(filepath.Dir(c), "control"), Backend: idle{}})
			}
			return err
		}})
		require.ErrorIs(t, err, ErrRunning)
		require.NoError(t, s.Close())
		if at == last {
			require.ErrorContains(t, err, "restart it now")
			require.FileExists(t, state)
		} else {
			require.Equal(t, before, tree(t, filepath.Dir(c)))
		}
	}
}
