package alarms

import (
	"context"
	"fmt"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
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

// diary accepts each message by a line in a file: the process, the way and the message's ID.
type diary struct {
	file  *os.File // opened to append, so the lines of all are in the order of time
	begin string
}

func (d *diary) Send(_ context.Context, m *alarm.Message) (string, error) {
	_, err := d.file.WriteString(d.begin + m.ID + "\n")
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
	diaries, err := os.OpenFile(filepath.Join(dir, "diary"), os.O_WRONLY|os.O_CREATE|os.O_APPEND, 0o600)
	require.NoError(t, err)
	process := strings.ReplaceAll(job, " ", "-")
	for _, name := range []string{"one", "two"} {
		ways[name] = &diary{diaries, process + " " + name + " "}
	}
	q := OpenQueue(QueueOptions{Dir: filepath.Join(dir, "alarms"), Ways: ways, Log: zap.NewNop()})
	if prefix, ok := strings.CutPrefix(job, "put "); ok {
		durable := make(chan error) // received below
		for i := 0; ; i++ {
			id := fmt.Sprintf("%s-%d", prefix, i)
			require.NoError(t, q.Put(message(t, id, i%7 == 0), func(err error) { durable <- err }))
			require.NoError(t, <-durable)
			_, err := diaries.WriteString(process + " durable " + id + "\n")
			require.NoError(t, err)
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
// the disk is accepted by each way, and again only if a kill came between the acceptance and the removal. Each write
// removes what was accepted before it began, so at most the write under way was still to become durable. Only the last
// message that the process sent on a way may not have been noted as accepted.
func TestKills(t *testing.T) {
	const kills = 15
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
	text, err := os.ReadFile(filepath.Join(dir, "diary"))
	require.NoError(t, err)
	for _, way := range []string{"one", "two"} {
		count := map[string]int{}     // by the message's ID
		writes := map[string]int{}    // durable writes of each process after this line
		late := map[string][]string{} // messages of a process that were accepted again although two writes followed
		lines := strings.Split(strings.TrimSpace(string(text)), "\n")
		for _, line := range slices.Backward(lines) {
			f := strings.Fields(line)
			switch process, what, id := f[0], f[1], f[2]; {
			case what == "durable":
				writes[process]++
			case what == way:
				if count[id] > 0 && writes[process] > 1 {
					late[process] = append(late[process], id)
				}
				count[id]++
			}
		}
		for _, id := range durable {
			require.NotZero(t, count[id], "%s was lost", id)
		}
		t.Logf("way %s: %d messages", way, len(count))
		for process, ids := range late {
			require.LessOrEqual(t, len(ids), 1, "accepted again after %s: %q", process, ids)
		}
	}
}
