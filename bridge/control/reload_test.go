package control

import (
	"testing"

	"github.com/stretchr/testify/require"
)

func (h *fakeBackend) Restart() (Restart, error) { return Restart{}, nil }

func (h *fakeBackend) Reload() (Reload, error) {
	h.note("reload")
	return Reload{Changed: []string{"box-office"}}, h.result()
}

// A reload passes through the socket, and so does its refusal.
func TestReload(t *testing.T) {
	h := &fakeBackend{}
	path, _ := serve(t, h)
	c, ctx := client(t, path)
	r, err := c.Reload(ctx)
	require.NoError(t, err)
	require.Equal(t, Reload{Changed: []string{"box-office"}}, r)
	h.fail(&Error{Code: 422, Reason: ReasonFaults, Text: "clearback.yaml:3:1: a fault\nclearback.yaml:7:1: another"})
	_, err = c.Reload(ctx)
	require.Equal(t, h.err, err)
	require.Equal(t, []string{"reload", "reload"}, h.list())
}
