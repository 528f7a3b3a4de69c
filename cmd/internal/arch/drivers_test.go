package arch

import (
	"fmt"
	"go/ast"
	"path"
	"slices"
	"strings"
	"testing"
)

// driverFiles are the files that name every driver: the list in package config, and the switch that opens a driver.
var driverFiles = []string{"config/drivers.go", "bridge/relay/drivers/open.go"}

// driverRule checks that, outside driverFiles, at most one file uses the constant of a driver: the file of package
// config that has the driver's keys. So a new driver changes no other files.
func driverRule(files []file) (faults []string) {
	names := map[string][]string{} // the files of config that use the constant of a driver, apart from the list
	for _, f := range files {
		if f.path == driverFiles[0] {
			for _, name := range driverConstants(f) {
				names[name] = nil
			}
		}
	}
	for _, f := range files {
		if f.test || slices.Contains(driverFiles, f.path) {
			continue
		}
		used := map[string]bool{}
		ast.Inspect(f.syntax, func(n ast.Node) bool {
			if id, ok := n.(*ast.Ident); ok && !used[id.Name] {
				if in, driver := names[id.Name]; driver {
					used[id.Name] = true
					names[id.Name] = append(in, f.path)
				}
			}
			return true
		})
	}
	for name, in := range names {
		if len(in) > 1 || len(in) == 1 && path.Dir(in[0]) != "config" {
			faults = append(faults, fmt.Sprintf("%s is used in %s; let only its file in package config use it", name,
				strings.Join(in, ", ")))
		}
	}
	slices.Sort(faults)
	return faults
}

// driverConstants returns the names of the constants DriverX, without DriverNone.
func driverConstants(f file) (all []string) {
	ast.Inspect(f.syntax, func(n ast.Node) bool {
		if v, ok := n.(*ast.ValueSpec); ok {
			for _, id := range v.Names {
				if strings.HasPrefix(id.Name, "Driver") && id.Name != "DriverNone" {
					all = append(all, id.Name)
				}
			}
		}
		return true
	})
	return all
}

// TestDriversAreNamedOnce fails if the rule finds no driver.
func TestDriversAreNamedOnce(t *testing.T) {
	for _, f := range wholeTree(t) {
		if f.path == driverFiles[0] {
			if n := len(driverConstants(f)); n < 7 {
				t.Errorf("only %d drivers found", n)
			}
			return
		}
	}
	t.Errorf("%s is not there", driverFiles[0])
}
