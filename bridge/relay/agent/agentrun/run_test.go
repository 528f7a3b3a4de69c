package agentrun

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"clearback/bridge/relay/agent"
	"clearback/config"
	"clearback/supervision"
)

// The agent keeps a contact closed between two openings for as long as supervision.LeastClosed says.
func TestLeastClosed(t *testing.T) {
	c, faults := config.ParseRelay("relay.yaml",
		[]byte("listen: 127.0.0.1:1\nallow_from: [127.0.0.1]\ncontacts: [{name: box-office, simulated: {}}]\n"), config.Env{})
	require.Empty(t, faults)
	a, err := newAgent(c, func(agent.Notice) {})
	require.NoError(t, err)
	a.Start()
	defer a.Shutdown(t.Context())
	require.Empty(t, a.Ready(t.Context()))
	m, k := agent.NewMaster("test"), a.Contacts()[0]
	require.NoError(t, k.Pulse(m, agent.Command{Plain: true, For: time.Second}))
	require.NoError(t, k.Close(m))
	err = k.Pulse(m, agent.Command{Plain: true, For: time.Second})
	require.ErrorIs(t, err, agent.ErrTooSoon)
	require.ErrorContains(t, err, supervision.LeastClosed.String())
}

// Close leaves out only contacts that it cannot close: those without a usable output, and a second one of a name.
func TestUsableContacts(t *testing.T) {
	simulated := &config.RelaySimulated{}
	port := func(device, line string) *config.RelaySerial {
		return &config.RelaySerial{Device: device, ControlLine: config.ControlLine{Line: line}}
	}
	u := usable(&config.Relay{MaxInterval: -1, Watchdog: -1, Contacts: []config.RelayContact{
		{Name: "box-office", OpenLevel: "on", Simulated: simulated},
		{Name: "box-office", OpenLevel: "on", Simulated: simulated},
		{Name: "stage-door", OpenLevel: "of", Simulated: simulated},
		{Name: "stage-door", OpenLevel: "off", Serial: port("/dev/ttyUSB0", "rts")},
		{Name: "workshop", OpenLevel: "on", Serial: port("", "rts")},
		{Name: "green-room", OpenLevel: "on"},
	}})
	var names []string
	for _, k := range u.Contacts {
		names = append(names, k.Name+" "+k.OpenLevel)
	}
	require.Equal(t, []string{"box-office on", "stage-door off"}, names)
	_, err := newAgent(u, nil)
	require.NoError(t, err, "settings out of range do not matter")
}
