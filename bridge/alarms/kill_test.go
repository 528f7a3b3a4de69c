package alarms

import (
	"context"
	"fmt"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"clearback/bridge/programtest"
	"clearback/supervision/alarm"

	"github.com/stretchr/testify/require"
	"go.uber.org/zap"
)

// childEnv makes this program a child of TestKills: "put PREFIX" puts messages until it is killed, "drain" ends when
// none is left.
const childEnv = "CLEARBACK_TEST_ALARMS_CHILD"

// diary accepts each message by a line in a file.
type diary struct{ file *os.File }

func (d *diary) Send(_ context.Context, m *alarm.Message) (string, error) {
	_, err := d.file.WriteString(m.ID + "\n")
	return "OK", err
}

// TestKillsChild is no test; see childEnv.
func TestKillsChild(t *testing.T) {
	job := os.Getenv(childEnv)
	if job == "" {
		t.Skip("it is a part of TestKills")
	}
	dir := os.Getenv(childEnv + "_DIR")
	ways := map[string]Way{}
	for _, name := range []string{"one", "two"} {
		f, err := os.OpenFile(filepath.Join(dir, name), os.O_WRONLY|os.O_CREATE|os.O_APPEND, 0o600)
		require.NoError(t, err)
		ways[name] = &diary{f}
	}
	q := OpenQueue(QueueOptions{Dir: filepath.Join(dir, "alarms"), Ways: ways, Log: zap.NewNop()})
	if prefix, ok := strings.CutPrefix(job, "put "); ok {
		durable := make(chan error) // received below
		for i := 0; ; i++ {
			id := fmt.Sprintf("%s-%d", prefix, i)
			require.NoError(t, q.Put(message(t, id, i%7 == 0), func(err error) { durable <- err }))
			require.NoError(t, <-durable)
			fmt.Println("durable", id)
		}
	}
	tick := time.NewTicker(5 * time.Millisecond)
	defer tick.Stop()
	for len(files(t, filepath.Join(dir, "alarms"))) > 0 {
		<-tick.C
	}
	require.NoError(t, q.Close(10*time.Second))
}

// TestKills kills a process that puts and carries messages, with SIGKILL at random moments. Every message that was on
// the disk is accepted by each way, and again only if a kill may have come between the acceptance and its removal: each
// write removes what was accepted before it, so that is only the last few of each kill.
func TestKills(t *testing.T) {
	const kills, mostAgain = 15, 5 // a process puts up to 30, and its messages may meet two kills
	dir := t.TempDir()
	child := func(job string) *programtest.Process {
		cmd := exec.Command(os.Args[0], "-test.run=^TestKillsChild$")
		cmd.Env = append(os.Environ(), childEnv+"="+job, childEnv+"_DIR="+dir)
		return programtest.Start(t, cmd)
	}
	seed := rand.Uint64()
	t.Logf("seed %d", seed)
	random := rand.New(rand.NewPCG(seed, 0))
	var durable []string
	for i := range kills {
		p := child(fmt.Sprintf("put k%d", i))
		p.Await(t, "durable", 20*time.Second)
		for range random.IntN(30) {
			_, ok := p.Next(t, 20*time.Second)
			require.True(t, ok)
		}
		p.Kill()
		for line := range strings.Lines(p.Output()) {
			if id, ok := strings.CutPrefix(line, "durable "); ok && strings.HasSuffix(id, "\n") {
				durable = append(durable, strings.TrimSpace(id))
			}
		}
	}
	require.Zero(t, child("drain").ExitCode(t, 30*time.Second))
	for _, way := range []string{"one", "two"} {
		text, err := os.ReadFile(filepath.Join(dir, way))
		require.NoError(t, err)
		count := map[string]int{}
		for id := range strings.FieldsSeq(string(text)) {
			count[id]++
		}
		again := map[string]int{} // by the process that put them
		for _, id := range durable {
			require.NotZero(t, count[id], "%s was lost", id)
			put, _, _ := strings.Cut(id, "-")
			again[put] += count[id] - 1
		}
		t.Logf("way %s: %d messages; again after a kill: %v", way, len(count), again)
		for put, n := range again {
			require.LessOrEqual(t, n, mostAgain, "of the process %s", put)
		}
	}
}
