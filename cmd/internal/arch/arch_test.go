package arch

import (
	"io/fs"
	"os"
	"strings"
	"testing"
	"testing/fstest"
)

// rules are the rules for Go files. Their names are the names of the subtests.
var rules = []struct {
	name  string
	check func([]file) []string
}{
	{"imports", importRule},
	{"purity", purityRule},
	{"testing", testingRule},
	{"package comments", packageCommentRule},
	{"gofmt", formatRule},
	{"length", lengthRule},
	{"columns", columnRule},
	{"manners", mannersRule},
	{"sleep", sleepRule},
	{"monotonic", monotonicRule},
	{"machine", machineRule},
	{"drivers", driverRule},
}

func root() fs.FS { return os.DirFS("../../..") }

func TestTree(t *testing.T) {
	files := wholeTree(t)
	if len(files) < 100 {
		t.Fatalf("only %d Go files found; is this the root of the module?", len(files))
	}
	for _, r := range rules {
		t.Run(r.name, func(t *testing.T) {
			for _, fault := range r.check(files) {
				t.Error(fault)
			}
		})
	}
	t.Run("top level", func(t *testing.T) {
		for _, fault := range topLevelRule(root()) {
			t.Error(fault)
		}
	})
}

// TestTablesName fails if a table names a package that no longer exists.
func TestTablesName(t *testing.T) {
	there := map[string]bool{}
	for _, f := range wholeTree(t) {
		there[f.dir] = true
	}
	named := append(append([]string(nil), pure...), forTests...)
	for p, imports := range may {
		named = append(append(named, p), imports...)
	}
	for p, imports := range testsMay {
		named = append(append(named, p), imports...)
	}
	for _, packages := range libraries {
		named = append(named, packages...)
	}
	for _, p := range named {
		if !there[p] {
			t.Errorf("a table names the package %s, which is not in the tree", p)
		}
	}
}

// TestCIRuns checks that .ci/run is executable.
func TestCIRuns(t *testing.T) {
	info, err := fs.Stat(root(), ".ci/run")
	if err != nil {
		t.Fatal(err)
	}
	if info.Mode()&0o111 == 0 {
		t.Error(".ci/run is not executable; chmod +x .ci/run")
	}
}

// TestRulesCatch checks that each rule finds the fault that it is for, and no other rule does.
func TestRulesCatch(t *testing.T) {
	const good = "// Package config is for a test.\npackage config\n"
	long := strings.Repeat("\n", fileLimit)
	tests := []struct {
		name, path, source string
		rule               string // the rule that finds the fault; "" for no fault
		want               string // a part of the fault's text
	}{
		{"nothing wrong", "config/a.go", good, "", ""},
		{"an import upwards", "config/a.go", good + "\nimport _ \"clearback/bridge\"\n", "imports",
			"config/a.go imports bridge"},
		{"an import upwards in a test", "config/a_test.go", good + "\nimport _ \"clearback/bridge\"\n", "imports",
			"imports bridge"},
		{"its own package in a test", "config/a_test.go", good + "\nimport _ \"clearback/config\"\n", "", ""},
		{"a package for tests in code", "bridge/relay/modbus/a.go",
			"// Package modbus is.\npackage modbus\n\nimport _ \"clearback/bridge/relay/relaytest\"\n", "imports",
			"relaytest"},
		{"a package for tests in a test", "bridge/relay/modbus/a_test.go",
			"// Package modbus is.\npackage modbus\n\nimport _ \"clearback/bridge/relay/relaytest\"\n", "", ""},
		{"a package without a decision", "extras/a.go", "// Package extras is.\npackage extras\n", "imports",
			"not in the import table"},
		{"a library in the wrong place", "config/a.go", good + "\nimport _ \"go.uber.org/zap/zapcore\"\n", "imports",
			"imports go.uber.org/zap/zapcore"},
		{"a library in a test", "config/a_test.go", good + "\nimport _ \"go.uber.org/zap/zapcore\"\n", "", ""},
		{"an unknown library", "config/a.go", good + "\nimport _ \"lib.example/x\"\n", "imports", "not in the table"},
		{"files", "supervision/a.go", "// Package supervision is.\npackage supervision\n\nimport _ \"os\"\n", "purity",
			"imports os"},
		{"files in a test", "supervision/a_test.go",
			"// Package supervision is.\npackage supervision\n\nimport _ \"os\"\n", "", ""},
		{"files elsewhere", "config/a.go", good + "\nimport _ \"os\"\n", "", ""},
		{"a clock", "supervision/keysystem/a.go",
			"// Package loop is.\npackage loop\n\nimport \"time\"\n\nvar _ = time.Now\n", "purity", "calls time.Now"},
		{"a duration", "supervision/keysystem/a.go",
			"// Package loop is.\npackage loop\n\nimport \"time\"\n\nvar _ time.Duration\n", "", ""},
		{"a goroutine", "supervision/a.go", "// Package supervision is.\npackage supervision\n\nfunc f() { go f() }\n",
			"purity", "goroutine"},
		{"a channel", "supervision/a.go", "// Package supervision is.\npackage supervision\n\nvar _ = make(chan int)\n",
			"purity", "channel"},
		{"testing in code", "config/a.go", good + "\nimport _ \"testing/fstest\"\n", "testing",
			"imports testing/fstest"},
		{"testing in a package for tests", "bridge/relay/relaytest/a.go",
			"// Package relaytest is.\npackage relaytest\n\nimport _ \"testing\"\n", "", ""},
		{"no package comment", "config/a.go", "package config\n", "package comments", "0 package comments"},
		{"a package comment of another kind", "config/a.go", "// This is config.\npackage config\n", "package comments",
			"does not begin"},
		{"a comment that is not the package's", "config/a.go", "// Long file: no.\n\n" + good, "", ""},
		{"gofmt", "config/a.go", good + "\nvar  a = 1\n", "gofmt", "gofmt -w"},
		{"a long file", "config/a.go", good + long + "\nvar a = 1\n", "length", "has 504 lines"},
		{"a long file with its reason", "config/a.go", "// Long file: a table.\n\n" + good + long + "\nvar a = 1\n", "",
			""},
		{"a long main", "cmd/clearback/main.go", "// Command clearback is.\npackage main\n" +
			strings.Repeat("\nvar _ = 1\n", 10), "length", "a main has at most 20"},
		{"a wide line", "config/a.go", good + "\nvar a = 1" + strings.Repeat(" + 1", 30) + "\n", "columns", "has 129 columns"},
		{"a wide text", "config/a.go", good + "\nvar a = \"" + strings.Repeat("long", 30) + "\"\n", "", ""},
		{"an init function", "config/a.go", good + "\nfunc init() {}\n", "manners", "init"},
		{"a sleep in a test", "config/a_test.go", good + "\nimport \"time\"\n\nfunc f() { time.Sleep(1) }\n", "sleep",
			"wait for the event"},
		{"a sleep on virtual time", "config/a_test.go",
			good + "\nimport (\n\t_ \"testing/synctest\"\n\t\"time\"\n)\n\nfunc f() { time.Sleep(1) }\n", "", ""},
		{"the time of day in a driver", "bridge/relay/modbus/a.go",
			"// Package modbus is.\npackage modbus\n\nimport \"time\"\n\nvar _ = time.Now().UnixNano()\n", "monotonic",
			"calls UnixNano"},
		{"an instant without its monotonic part", "bridge/relay/modbus/a.go",
			"// Package modbus is.\npackage modbus\n\nimport \"time\"\n\nvar _ = time.Now().Round(0)\n", "monotonic",
			"calls Round"},
		{"a rounded duration", "bridge/relay/modbus/a.go",
			"// Package modbus is.\npackage modbus\n\nimport \"time\"\n\nvar _ = time.Second.Round(time.Minute)\n", "",
			""},
		{"the time of day elsewhere", "config/a.go", good + "\nimport \"time\"\n\nvar _ = time.Now().UnixNano()\n", "",
			""},
		{"a mount", "config/a_test.go", good + "\nvar _ = unix.Mount\n", "machine", "config/a_test.go uses Mount"},
		{"an emulator", "config/a_test.go", good + "\nvar _ = exec.Command(\"qemu-system-x86_64\")\n", "machine",
			"uses qemu-system-x86_64"},
		{"a mount without its flag", "bridge/journal/disk_test.go",
			"// Package journal is.\npackage journal\n\nvar _ = unix.Mount\n", "machine", "have no flag \"mount\""},
		{"a mount behind its flag", "bridge/journal/disk_test.go",
			"// Package journal is.\npackage journal\n\nvar _ = unix.Mount\nvar _ = flag.Bool(\"mount\", false, \"\")\n",
			"", ""},
		{"settings without a type", "config/a.go", good + "\nvar _ map[string]any\n", "manners", "map[string]any"},
		{"settings without a type, in the old way", "config/a.go", good + "\nvar _ map[string]interface{}\n", "manners",
			"map[string]any"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			files := readTree(t, fstest.MapFS{tt.path: {Data: []byte(tt.source)}})
			for _, r := range rules {
				faults := r.check(files)
				if r.name != tt.rule && len(faults) > 0 && !(r.name == "gofmt" &&
					strings.Contains(tt.source, "\n\n\n")) {
					t.Errorf("the rule %q finds %q", r.name, faults)
				}
				if r.name == tt.rule && (len(faults) != 1 || !strings.Contains(faults[0], tt.want)) {
					t.Errorf("the rule %q finds %q; want one fault with %q", r.name, faults, tt.want)
				}
			}
		})
	}
}

func TestTwoPackageComments(t *testing.T) {
	files := readTree(t, fstest.MapFS{
		"config/a.go": {Data: []byte("// Package config is.\npackage config\n")},
		"config/b.go": {Data: []byte("// Package config is too.\npackage config\n")},
	})
	if faults := packageCommentRule(files); len(faults) != 1 || !strings.Contains(faults[0], "2 package comments") {
		t.Errorf("found %q", faults)
	}
}

func TestTopLevelRuleCatches(t *testing.T) {
	tree := fstest.MapFS{".gitignore": {Data: []byte("/bin/\n*.out\n")}, ".ci/run": {}, "bin/x": {}, "cover.out": {}}
	for _, name := range topLevel {
		tree[name] = &fstest.MapFile{}
	}
	if faults := topLevelRule(tree); len(faults) > 0 {
		t.Errorf("found %q", faults)
	}
	tree["notes.txt"] = &fstest.MapFile{}
	delete(tree, "SAFETY.md")
	faults := strings.Join(topLevelRule(tree), "\n")
	for _, want := range []string{"notes.txt does not belong", "SAFETY.md is missing"} {
		if !strings.Contains(faults, want) {
			t.Errorf("found %q; want %q in it", faults, want)
		}
	}
}
