package drivers

import (
	"context"
	"testing"
	"time"

	"clearback/bridge/relay"
	"clearback/bridge/relay/modbus/modbustest"
	"clearback/bridge/relay/relaytest"
	"clearback/config"

	"github.com/stretchr/testify/require"
	"go.uber.org/goleak"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// newCoils returns a board whose coils are on at first, so that the loops are open.
func newCoils(t *testing.T) *modbustest.Board {
	return modbustest.NewBoard(t, modbustest.BoardOptions{OpenOn: true, Open: true})
}

// millrace is the configuration of the Playhouse: three lines on a board, and one without a contact.
func millrace(address string) *config.Config {
	on := func(coil uint16) config.Contact {
		return config.Contact{Driver: "modbus", Controller: "relays", Unit: 1, Coil: coil, OpenLevel: "on"}
	}
	timed := on(2)
	timed.Timed = &config.TimedOutput{Register: 10, Unit: 100 * time.Millisecond, Limit: 3 * time.Second}
	dog := on(1)
	dog.Watchdog = &config.WatchdogRegister{Register: 5, Unit: 100 * time.Millisecond, Timeout: time.Second}
	return &config.Config{
		Controllers: []config.Controller{{Name: "relays", Driver: "modbus",
			Modbus: config.Modbus{Address: address, Timeout: 200 * time.Millisecond}}},
		Lines: []config.Line{
			{Name: "box-office", Contact: on(0)},
			{Name: "stage-door", Contact: dog},
			{Name: "workshop", Contact: timed},
			{Name: "green-room", Contact: config.Contact{Driver: "none"}},
		},
	}
}

func within(t *testing.T, d time.Duration) context.Context {
	ctx, cancel := context.WithTimeout(context.Background(), d)
	t.Cleanup(cancel)
	return ctx
}

func TestOpen(t *testing.T) {
	board := newCoils(t)
	s, err := Open(millrace(board.Address()), Options{})
	require.NoError(t, err)
	require.NoError(t, s.Ready(within(t, 5*time.Second)))
	for line, kind := range map[string]relay.Kind{"box-office": relay.KindNone, "stage-door": relay.KindWatchdog,
		"workshop": relay.KindOneshot, "green-room": relay.KindOneshot} {
		require.Equal(t, kind, s.Contact(line).Kind(), line)
	}
	require.Nil(t, s.Contact("foyer"))
	r := s.Contact("green-room").Interrupt(t.Context(), relay.Interruption{Duration: time.Second,
		NotAfter: time.Now().Add(time.Second)})
	require.ErrorIs(t, r.Err, relay.ErrNoContact)
	r = s.Contact("box-office").Interrupt(t.Context(), relay.Interruption{Duration: 20 * time.Millisecond,
		NotAfter: time.Now().Add(time.Second)})
	require.Equal(t, relay.Done, r.Outcome, "%v", r.Err)
	require.Empty(t, s.Shutdown(within(t, 5*time.Second)))
	for n := range 3 {
		require.False(t, board.Level(n), n)
	}
	require.True(t, board.Level(3), "a coil without a line was not touched")
	require.Equal(t, []bool{false, true, false, false}, board.Writes(0), "start, opening, its end, shutdown")
}

func TestCloseAll(t *testing.T) {
	board := newCoils(t)
	cfg := millrace(board.Address())
	left, err := CloseAll(within(t, 5*time.Second), cfg, nil)
	require.NoError(t, err)
	require.Empty(t, left)
	for n := range 3 {
		require.False(t, board.Level(n), n)
	}

	// CloseAll beside a daemon that holds the contacts.
	s, err := Open(cfg, Options{})
	require.NoError(t, err)
	_, err = Open(cfg, Options{})
	require.ErrorIs(t, err, relay.ErrLocked)
	left, err = CloseAll(within(t, 5*time.Second), cfg, nil)
	require.NoError(t, err)
	require.Empty(t, left)
	require.Empty(t, s.Shutdown(within(t, 5*time.Second)))
}

func TestCloseAllNamesWhatItCouldNotClose(t *testing.T) {
	board := newCoils(t)
	address := board.Address()
	board.Cut()
	left, err := CloseAll(within(t, 100*time.Millisecond), millrace(address), nil)
	require.NoError(t, err)
	var lines []string
	for _, n := range left {
		require.ErrorIs(t, n.Err, relay.ErrUnreachable)
		require.Equal(t, "relays", n.Controller)
		lines = append(lines, n.Line)
	}
	require.Equal(t, []string{"box-office", "stage-door", "workshop"}, lines)
}

func TestOpenRefuses(t *testing.T) {
	nobody := relaytest.ProcessName("relays") + ".example:502"
	for message, change := range map[string]func(*config.Config){
		"driver \"abacus\"":          func(c *config.Config) { c.Controllers[0].Driver = "abacus" },
		"line box-office: driver":    func(c *config.Config) { c.Lines[0].Contact.Driver = "" },
		"no controller is called":    func(c *config.Config) { c.Lines[0].Contact.Controller = "attic" },
		"open_level \"up\"":          func(c *config.Config) { c.Lines[0].Contact.OpenLevel = "up" },
		"host:port":                  func(c *config.Config) { c.Controllers[0].Modbus.Address = "relays.example" },
		"driven by another":          func(c *config.Config) { c.Lines[1].Contact.Coil = 0 },
		"two lines are called":       func(c *config.Config) { c.Lines[3].Name = "box-office" },
		"line stage-door: unit: 0":   func(c *config.Config) { c.Lines[1].Contact.Unit = 0 },
		"line workshop: timed.limit": func(c *config.Config) { c.Lines[2].Contact.Timed.Limit = 0 },
	} {
		cfg := millrace(nobody)
		change(cfg)
		_, err := Open(cfg, Options{})
		require.ErrorContains(t, err, message)
	}
	// No claim is left.
	s, err := Open(millrace(nobody), Options{})
	require.NoError(t, err)
	s.Shutdown(within(t, 20*time.Millisecond))
}
