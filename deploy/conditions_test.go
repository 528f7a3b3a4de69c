package deploy

import (
	"io/fs"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

// conditionTests are the tests that show each row of the table "When something else fails" in operation.md.
var conditionTests = map[string][]string{
	"The network is not up": {"TestAddressComesAndGoes", "TestAddressWatch", "TestOpenBeforeTheNetwork",
		"TestCheckWarnsOfMissingAddress", "TestEmergencyCallWithoutServiceAddress"},
	"The machine sleeps":         {"TestRegistersAfterASuspend", "TestSuspended"},
	"The clock is set":           {"TestAgeAfterAClockStep", "TestClockJumpPrunesNothing", "TestClockSetAfterTheStart"},
	"The daemon is killed":       {"TestBrokenOffCallIsLogged", "TestKilledWhileOpen", "TestKilledUnderLoad"},
	"The machine loses power":    {"TestCallOutlivesPowerCuts", "TestFarEndGoneAfterAPowerCut", "TestStateAtAStart"},
	"The daemon is restarted":    {"TestHandOver", "TestHandOverOfAnEmergencyCall", "TestHandOverKeepsTheRegistration"},
	"The disk is full":           {"TestFullDisk", "TestReadOnlyDisk", "TestJournalOnAFullDisk"},
	"Too few files":              {"TestNoDescriptorsLeft", "TestDescriptorWarning", "TestPortErrorWithoutDescriptors"},
	"An adapter restarts":        {"TestAdapterRestarts", "TestAdapterRegistersAnewInCall", "TestPrintDaemon"},
	"The PBX restarts":           {"TestServiceThatLosesTheRegistration"},
	"The PBX is away":            {"TestProblemIsLoggedOnce", "TestServiceDown", "TestServiceSilent", "TestRetryAfter"},
	"The board or its broker is": {"TestAwayForADay", "TestBoardGoneIsAnIncident", "TestBrokerRestarts"},
}

var (
	sentence = regexp.MustCompile(`"([^"]+)"`)
	joint    = regexp.MustCompile(`"\s*\+\s*"`) // of the parts of a string in Go
	function = regexp.MustCompile(`(?m)^func (Test\w+)\(`)
)

// TestConditions checks that each row of the table has its tests, and that the product says each quoted sentence.
func TestConditions(t *testing.T) {
	var product strings.Builder
	tests := map[string]bool{}
	for _, root := range []string{"bridge", "cmd/internal", "supervision"} {
		require.NoError(t, filepath.WalkDir(filepath.Join("..", root), func(path string, _ fs.DirEntry, err error) error {
			switch {
			case err != nil || filepath.Ext(path) != ".go":
				return err
			case !strings.HasSuffix(path, "_test.go"):
				product.Write(read(t, path))
				return nil
			}
			for _, m := range function.FindAllSubmatch(read(t, path), -1) {
				tests[string(m[1])] = true
			}
			return nil
		}))
	}
	says := joint.ReplaceAllString(product.String(), "")
	_, table, ok := strings.Cut(string(read(t, "operation.md")), "## When something else fails\n")
	require.True(t, ok)
	table, _, _ = strings.Cut(table, "\n## ")
	rows := 0
	for line := range strings.Lines(table) {
		if !strings.HasPrefix(line, "| ") || strings.HasPrefix(line, "| what happens") {
			continue
		}
		rows++
		known := 0
		for begins, all := range conditionTests {
			if !strings.HasPrefix(line, "| "+begins) {
				continue
			}
			known++
			for _, name := range all {
				require.True(t, tests[name], "%s: there is no %s", begins, name)
			}
		}
		require.Equal(t, 1, known, line)
		for _, m := range sentence.FindAllStringSubmatch(line, -1) {
			require.Contains(t, says, m[1], line)
		}
	}
	require.Equal(t, len(conditionTests), rows)
}
