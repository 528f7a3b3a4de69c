package serial

import (
	"errors"
	"testing"

	"github.com/stretchr/testify/require"
)

// recordingPort is a port in memory that records its lines.
type recordingPort struct {
	now   lines
	was   [][2]bool
	fails error
	gone  bool
}

func (s *recordingPort) Get() (lines, error) { return s.now, s.fails }

func (s *recordingPort) Both(out [2]bool) error {
	s.now.out = out
	s.was = append(s.was, out)
	return s.fails
}

func (s *recordingPort) Set(l Line, on bool) error {
	out := s.now.out
	out[l] = on
	return s.Both(out)
}

func (s *recordingPort) Close() { s.gone = true }

func TestOutput(t *testing.T) {
	for _, line := range []Line{RTS, DTR} {
		for _, openOn := range []bool{true, false} {
			p := &recordingPort{now: lines{out: [2]bool{true, true}}} // as the kernel leaves them
			o := ContactOptions{Name: "stage-door", Line: line, OpenOn: openOn,
				Sense: &Sense{Input: DSR, CurrentOn: true}}
			open := func(device string, hangUp bool) (port, lines, error) {
				require.Equal(t, openOn, hangUp)
				return p, p.now, nil
			}
			s, err := openOutput("/dev/output-test", o, open)
			require.NoError(t, err)
			_, err = openOutput("/dev/output-test", o, open)
			require.Error(t, err, "it is taken")
			var closed, opened [2]bool
			closed[line], opened[line] = !openOn, openOn
			require.NoError(t, s.Set(true))
			is, err := s.Get()
			require.NoError(t, err)
			require.True(t, is)
			require.NoError(t, s.Set(false))
			is, err = s.Get()
			require.NoError(t, err)
			require.False(t, is)
			require.Equal(t, [][2]bool{closed, opened, closed}, p.was, "the other line stays off")
			flows, err := s.Current()
			require.NoError(t, err)
			require.False(t, flows)
			p.now.in[DSR] = true
			flows, err = s.Current()
			require.NoError(t, err)
			require.True(t, flows)
			p.fails = errors.New("pulled out")
			_, err = s.Get()
			require.ErrorIs(t, err, p.fails)
			require.ErrorIs(t, s.Set(false), p.fails)
			require.NoError(t, s.Close())
			require.True(t, p.gone)
		}
	}
	_, err := Open("/dev/null", ContactOptions{Name: "stage-door"})
	require.ErrorIs(t, err, errNoLines)
	_, err = Open("ttyS1", ContactOptions{Name: "stage-door"})
	require.ErrorIs(t, err, ErrOptions)
}
