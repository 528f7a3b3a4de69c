package arch

const module = "clearback"

// may lists the packages of this module that each package may import. A package that is not listed is a fault, so that
// somebody decides about each new package. testsMay lists what its tests may import in addition.
var may = map[string][]string{
	"supervision":                 {},
	"supervision/keysystem":       {"supervision"},
	"supervision/supervisiontest": {"supervision"},
	"supervision/sanitize":        {},
	"supervision/alarm":           {"supervision/sanitize"},
	"supervision/callrecord":      {"supervision", "supervision/sanitize"},
	"supervision/window":          {},
	"supervision/dialplan":        {"supervision"},
	"supervision/tuning":          {"supervision/window"},
	"config/file":                 {},
	"config": {"config/file", "supervision", "supervision/window", "supervision/dialplan", "bridge/relay",
		// the drivers say what is wrong with their options
		"bridge/relay/command", "bridge/relay/controller", "bridge/relay/gpio", "bridge/relay/httprelay",
		"bridge/relay/modbus", "bridge/relay/mqtt", "bridge/relay/serial",
		"bridge/alarms", "bridge/relay/transport"},
	"bridge":         {"supervision", "supervision/callrecord", "bridge/relay"},
	"bridge/journal": {"config/file", "supervision", "supervision/callrecord"},
	"bridge/control": {"supervision/callrecord"},
	"bridge/metrics": {"bridge/alarms", "bridge/control", "bridge/localaddr", "supervision", "supervision/alarm",
		"supervision/callrecord"},
	"bridge/runtimestate": {},
	"bridge/localaddr":    {},
	"bridge/alarms": {"supervision/alarm", "supervision/sanitize", "bridge/relay", "bridge/relay/command",
		"bridge/relay/mqtt/broker", "bridge/relay/transport", "bridge/runtimestate"},
	"bridge/backup": {"bridge/control", "bridge/journal", "bridge/runtimestate", "config", "config/file", "supervision",
		"supervision/sanitize"},
	"bridge/testcall":    {"supervision", "supervision/callrecord", "bridge/sipua/endpoint"},
	"bridge/socketstore": {"bridge/localaddr"},
	"bridge/sipua": {"supervision", "supervision/callrecord", "supervision/dialplan",
		"bridge/media", "bridge/sipua/endpoint", "bridge/sipua/registration", "bridge/sipua/sessiontimer",
		"bridge/socketstore"},
	"bridge/sipua/endpoint":              {"bridge/localaddr", "bridge/socketstore", "supervision/sanitize"},
	"bridge/sipua/callflow":              {}, // tests only
	"bridge/sipua/conformance":           {},
	"bridge/sipua/sessiontimer":          {},
	"bridge/sipua/endpoint/endpointtest": {},
	"bridge/sipua/uatest":                {"bridge/sipua/endpoint/endpointtest"}, // shares nothing with what it checks
	"bridge/sipua/rawtest":               {},                                     // nor with uatest
	"bridge/sipua/registration":          {"bridge/sipua/endpoint"},
	"bridge/media":                       {"bridge/localaddr", "bridge/socketstore"},
	"bridge/loopbacktest":                {"bridge/programtest"},
	"bridge/programtest":                 {},
	"bridge/relay":                       {"supervision/sanitize"},
	"bridge/relay/controller":            {"bridge/relay"},
	"bridge/relay/transport":             {"bridge/relay", "config/file"},
	"bridge/relay/modbus": {"bridge/relay", "bridge/relay/controller", "bridge/relay/modbus/codec",
		"bridge/relay/transport"},
	"bridge/relay/modbus/codec": {},
	// modbustest shares nothing with codec, which it checks.
	"bridge/relay/modbus/modbustest": {"bridge/programtest", "bridge/relay/relaytest"},
	"bridge/relay/httprelay":         {"bridge/relay", "bridge/relay/controller", "bridge/relay/transport"},
	"bridge/relay/command":           {"bridge/relay", "bridge/relay/controller", "supervision/sanitize"},
	"bridge/relay/serial":            {"bridge/relay", "bridge/relay/controller"},
	"bridge/relay/gpio":              {"bridge/relay", "bridge/relay/controller"},
	"bridge/relay/mqtt": {"bridge/relay", "bridge/relay/controller", "bridge/relay/mqtt/broker",
		"bridge/relay/transport"},
	"bridge/relay/mqtt/broker":     {"bridge/relay", "bridge/relay/transport"},
	"bridge/relay/mqtt/brokertest": {"bridge/programtest"},
	"bridge/relay/agent/agentmqtt": {"bridge/relay", "bridge/relay/agent", "bridge/relay/mqtt",
		"bridge/relay/mqtt/broker"},
	"bridge/relay/agent/agentrun": {"bridge/localaddr", "bridge/relay/agent", "bridge/relay/agent/agentmqtt", "bridge/relay/gpio",
		"bridge/relay/mqtt/broker", "bridge/relay/serial", "bridge/relay/transport", "config", "supervision"},
	"bridge/relay/agent":        {"bridge/relay", "bridge/relay/modbus/codec", "config/file"},
	"bridge/relay/relaytest":    {"bridge/relay"},
	"bridge/relay/relaytest/vm": {"bridge/programtest"},
	"bridge/relay/drivers": {"bridge/relay", "bridge/relay/command", "bridge/relay/controller",
		"bridge/relay/gpio", "bridge/relay/httprelay", "bridge/relay/modbus", "bridge/relay/mqtt",
		"bridge/relay/serial", "config"},
	// The rehearsal's peers share no protocol code with the daemon. The rehearsal reaches the daemon through an
	// interface.
	"bridge/rehearsal": {"supervision", "supervision/keysystem", "config"},
	"bridge/daemon": {"supervision", "supervision/callrecord", "config", "bridge", "bridge/control", "bridge/journal",
		"bridge/metrics", "bridge/runtimestate", "bridge/media", "bridge/relay", "bridge/relay/drivers", "bridge/sipua",
		"bridge/localaddr", "bridge/sipua/registration", "bridge/socketstore", "bridge/testcall",
		"bridge/alarms", "config/file", "supervision/alarm", "supervision/sanitize"},
	"bridge/daemon/daemontest": {"bridge/loopbacktest", "bridge/relay/modbus/modbustest", "bridge/sipua/uatest",
		"config"},
	"cmd/internal/cli": {
		"supervision", "supervision/sanitize", "supervision/callrecord", "supervision/tuning", "supervision/window",
		"config", "bridge/backup", "bridge/control", "bridge/daemon", "bridge/journal", "bridge/rehearsal",
		"bridge/socketstore",
		"bridge/relay", "bridge/relay/agent/agentrun", "bridge/relay/drivers", "cmd/internal/setup", "config/file",
	},
	"cmd/internal/setup":   {"bridge/control", "bridge/daemon", "config", "config/file", "supervision", "supervision/sanitize"},
	"cmd/internal/arch":    {},
	"cmd/internal/figures": {},
	"cmd/internal/frozen":  {}, // tests only
	"cmd/internal/interop": {},
	"cmd/internal/testrun": {},
	"cmd/clearback":        {"cmd/internal/cli"},
	"cmd/testrun":          {"cmd/internal/testrun"},
	"deploy":               {},
	// A module of its own, which imports nothing of ours.
	"deploy/packages":        {"deploy/packages/debian"},
	"deploy/packages/debian": {},
}

var testsMay = map[string][]string{
	"bridge":                  {"bridge/relay/relaytest"},
	"bridge/journal":          {"bridge/programtest"},
	"bridge/alarms":           {"bridge/programtest", "bridge/relay/mqtt/brokertest"},
	"bridge/relay":            {"bridge/relay/relaytest"},
	"bridge/socketstore":      {"bridge/loopbacktest"},
	"bridge/relay/drivers":    {"bridge/relay/modbus/modbustest", "bridge/relay/relaytest"},
	"bridge/relay/httprelay":  {"bridge/programtest", "bridge/relay/relaytest"},
	"bridge/relay/command":    {"bridge/programtest", "bridge/relay/relaytest"},
	"bridge/relay/controller": {"bridge/relay/relaytest"},
	"bridge/relay/serial":     {"bridge/programtest", "bridge/relay/relaytest", "bridge/relay/relaytest/vm"},
	"bridge/relay/gpio":       {"bridge/programtest", "bridge/relay/relaytest", "bridge/relay/relaytest/vm"},
	"bridge/relay/agent":      {"bridge/relay/modbus/modbustest"},
	"bridge/relay/modbus": {"bridge/loopbacktest", "bridge/programtest", "bridge/relay/agent",
		"bridge/relay/modbus/modbustest", "bridge/relay/relaytest"},
	"bridge/relay/modbus/codec":    {"bridge/relay/modbus/modbustest"},
	"bridge/relay/mqtt":            {"bridge/programtest", "bridge/relay/mqtt/brokertest", "bridge/relay/relaytest"},
	"bridge/relay/agent/agentmqtt": {"bridge/relay/mqtt/brokertest", "bridge/relay/relaytest"},
	"bridge/media":                 {"bridge/loopbacktest", "bridge/programtest"},
	"bridge/sipua/endpoint": {"bridge/loopbacktest", "bridge/sipua/endpoint/endpointtest",
		"bridge/sipua/rawtest"},
	"bridge/sipua": {"bridge/loopbacktest", "bridge/sipua/endpoint/endpointtest", "bridge/sipua/uatest"},
	"bridge/sipua/registration": {"bridge/loopbacktest", "bridge/sipua/endpoint/endpointtest",
		"bridge/sipua/rawtest"},
	"bridge/sipua/endpoint/endpointtest": {"bridge/sipua/endpoint"},
	"bridge/rehearsal":                   {"bridge/daemon"},
	"bridge/sipua/callflow": {"bridge", "bridge/media", "bridge/relay", "bridge/relay/relaytest",
		"bridge/sipua", "bridge/sipua/conformance", "bridge/sipua/uatest", "supervision",
		"supervision/callrecord"},
	"bridge/daemon": {"bridge/daemon/daemontest", "bridge/loopbacktest", "bridge/programtest",
		"bridge/relay/modbus/modbustest", "bridge/relay/relaytest", "bridge/sipua/uatest"},
	"bridge/testcall": {"bridge", "bridge/loopbacktest", "bridge/media", "bridge/relay",
		"bridge/relay/relaytest", "bridge/sipua", "bridge/sipua/uatest"},
	"cmd/internal/figures": {"bridge/loopbacktest", "bridge/programtest", "bridge/relay/mqtt/broker",
		"bridge/relay/mqtt/brokertest"},
	"cmd/internal/frozen": {"bridge/journal", "bridge/rehearsal", "bridge/relay", "bridge/relay/agent",
		"bridge/relay/drivers", "bridge/relay/modbus/modbustest", "bridge/relay/mqtt", "bridge/relay/mqtt/broker",
		"bridge/relay/mqtt/brokertest",
		"bridge/relay/relaytest", "bridge/control", "cmd/internal/cli", "config", "supervision",
		"supervision/callrecord"},
	"cmd/internal/interop": {"bridge/daemon", "config", // the watch of a daemon, on a clock of the test
		"bridge/loopbacktest", "bridge/programtest", "bridge/relay/modbus/modbustest",
		"bridge/relay/mqtt/broker", "bridge/relay/mqtt/brokertest", "bridge/relay/transport", // the broker of many sites
		"bridge/relay/relaytest", "bridge/relay/relaytest/vm", "bridge/sipua/rawtest",
		"bridge/sipua/uatest", "bridge/sipua/conformance"}, // conformance checks what the daemon sends
	"cmd/internal/cli": {"bridge/daemon/daemontest", "bridge/loopbacktest", "bridge/relay/modbus/modbustest",
		"bridge/relay/relaytest", "bridge/sipua/uatest"},
	"cmd/internal/testrun": {"bridge/programtest"},
	"deploy": {"bridge/programtest", "config", "supervision", "supervision/keysystem",
		"supervision/window"},
	"supervision/tuning":     {"bridge/programtest"},
	"supervision/callrecord": {"supervision/supervisiontest"},
	"bridge/metrics":         {"bridge/loopbacktest", "bridge/programtest"},
	"bridge/control":         {"bridge", "bridge/programtest", "bridge/relay", "supervision"}, // measures when a new interval is in use
}

// libraries lists, for each module that is not ours, the packages whose code (not tests) may import it.
var libraries = map[string][]string{
	"modernc.org/sqlite":             {"bridge/journal"},
	"github.com/eclipse/paho.golang": {"bridge/relay/mqtt/broker"},
	"github.com/emiago/sipgo": {"bridge/testcall", "bridge/sipua", "bridge/sipua/endpoint",
		"bridge/sipua/registration", "config", "bridge/daemon"},
	"github.com/goreleaser/nfpm":          {"deploy/packages/debian"}, // in the go.mod of deploy/packages
	"github.com/icholy/digest":            {"bridge/sipua/registration", "bridge/rehearsal"},
	"github.com/prometheus/client_golang": {"bridge/metrics"},
	"github.com/prometheus/client_model":  {"bridge/metrics"},
	"github.com/prometheus/common":        {}, // tests parse our exposition with it
	"github.com/pion/rtp":                 {"bridge/media", "bridge/rehearsal", "bridge/testcall"},
	"github.com/pion/rtcp":                {"bridge/media"},
	"github.com/pion/sdp/v3":              {},                   // tests check our output with it
	"github.com/simonvetter":              {},                   // tests check our Modbus with it
	"github.com/spf13/cobra":              {"cmd/internal/cli"}, // the command line: help, completion in three shells, suggestions
	"github.com/spf13/pflag":              {"cmd/internal/cli"}, // the flags of cobra
	"github.com/stretchr/testify":         {"bridge/relay/relaytest", "bridge/daemon/daemontest", "bridge/sipua/rawtest"},
	"go.uber.org/goleak":                  {},
	"pgregory.net/rapid":                  {"supervision/supervisiontest"},
	"go.yaml.in/yaml/v3":                  {"config"},
	"github.com/wneessen/go-mail":         {"bridge/alarms"},
	"go.uber.org/zap": {
		"bridge", "bridge/alarms", "bridge/journal", "bridge/control", "bridge/metrics", "bridge/testcall", "bridge/sipua",
		"bridge/sipua/endpoint",
		"bridge/runtimestate", "bridge/sipua/registration", "bridge/rehearsal", "bridge/daemon",
		"bridge/relay/agent/agentrun",
		"cmd/internal/cli",
	},
	"golang.org/x/net": {"bridge/media", "bridge/metrics"},
	"golang.org/x/sys": {
		"bridge/daemon", // the clock that a reload is reported with
		"bridge/localaddr",
		"bridge/loopbacktest", // network namespaces
		"bridge/media",
		"bridge/relay",
		"bridge/relay/agent",
		"bridge/relay/command",
		"bridge/relay/gpio",
		"bridge/relay/modbus",
		"bridge/relay/serial",
		"bridge/relay/transport",
		"bridge/sipua/endpoint",
	},
	"golang.org/x/term": {"cmd/internal/cli"},
}

// pure are the packages that only decide and compute. pureMay are the standard packages that they may import.
var (
	pure = []string{"supervision", "supervision/keysystem", "supervision/callrecord", "supervision/window",
		"supervision/tuning", "supervision/dialplan", "supervision/alarm", "bridge/sipua/sessiontimer"}
	pureMay = []string{
		"bytes", "cmp", "crypto/sha256", "embed", "encoding/hex", "errors", "fmt", "iter", "maps", "math", "math/bits",
		"math/rand/v2", "slices", "sort", "strconv", "strings",
		"time", "unicode", "unicode/utf8",
	}
	// impureCalls use a clock or a stream through packages that are otherwise allowed.
	impureCalls = []string{
		"time.Now", "time.Since", "time.Until", "time.Sleep", "time.After", "time.AfterFunc", "time.NewTimer",
		"time.NewTicker", "time.Tick",
		"fmt.Print", "fmt.Printf", "fmt.Println", "fmt.Scan", "fmt.Scanf", "fmt.Scanln",
	}
)

// forTests are the module's packages that exist for tests and may import testing.
var forTests = []string{"supervision/supervisiontest", "bridge/relay/relaytest", "bridge/relay/relaytest/vm",
	"bridge/relay/modbus/modbustest", "bridge/relay/mqtt/brokertest", "bridge/sipua/endpoint/endpointtest",
	"bridge/sipua/rawtest", "bridge/sipua/uatest", "bridge/loopbacktest", "bridge/programtest",
	"bridge/daemon/daemontest"}

// changesMachine lists each file that may make a namespace, mount, start an emulator, set a clock or install something.
// Its value is the flag of the package's tests without which the file does none of that.
var changesMachine = map[string]string{
	"bridge/daemon/addresses_linux_test.go":   "namespace",
	"bridge/journal/disk_test.go":             "mount",
	"bridge/loopbacktest/namespace_linux.go":  "namespace",
	"bridge/journal/virtualmachine_test.go":   "powercuts", // inside the virtual machine
	"bridge/journal/powercut_test.go":         "powercuts",
	"bridge/relay/gpio/clock_linux_test.go":   "vm", // inside the virtual machine
	"bridge/relay/gpio/kernel_linux_test.go":  "vm", // inside the virtual machine
	"bridge/relay/modbus/netns_linux_test.go": "namespace",
	"bridge/relay/relaytest/vm/vm.go":         "vm",
	"cmd/internal/interop/agentvm_test.go":    "vm", // inside the virtual machine
	"cmd/internal/interop/fulldisk_test.go":   "mount",
	"deploy/packages/debian/box_test.go":      "container",
	"deploy/packages/debian/readme_test.go":   "container",
}

// machineCalls are the calls and constants that change the machine. machinePrograms are the programs that do.
var (
	machineCalls = []string{
		"Mount", "Unshare", "Setns", "PivotRoot", "Cloneflags", "Settimeofday", "ClockSettime", "ClockAdjtime",
		"SIOCSIFFLAGS", "Reboot",
	}
	machinePrograms = []string{
		"apt-get", "docker", "systemctl", "systemd-nspawn", "systemd-run", "qemu-system-x86_64", "chromium", "ip", "tc",
		"nft", "iptables", "mount",
		"unshare", "nsenter",
	}
)

// topLevel lists everything at the top level, except hidden files and what .gitignore names.
var topLevel = []string{
	"DEVELOPERS.md", "README.md", "SAFETY.md", "bridge", "cmd", "config", "deploy", "go.mod", "go.sum", "supervision",
}

const (
	fileLimit = 500 // lines of a file that gives no reason for its length
	columns   = 120 // of a line of Go
	mainLimit = 20  // lines of a main.go
)
