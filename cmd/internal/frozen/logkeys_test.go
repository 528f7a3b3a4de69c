package frozen

import (
	"go/ast"
	"go/parser"
	"go/token"
	"io/fs"
	"maps"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

// TestLogKeys compares every key that a log entry may have besides ts, level and msg, with the kind of its value, as
// the source code shows them.
func TestLogKeys(t *testing.T) {
	keys := map[string]bool{"error Error": true}
	walk := func(path string, d fs.DirEntry, err error) error {
		switch {
		case err != nil:
			return err
		case d.IsDir() && (d.Name() == "testdata" || strings.HasPrefix(d.Name(), ".") && d.Name() != ".."):
			return fs.SkipDir
		case filepath.Ext(path) != ".go" || strings.HasSuffix(path, "_test.go"):
			return nil
		}
		file, err := parser.ParseFile(token.NewFileSet(), path, nil, parser.SkipObjectResolution)
		if err != nil {
			return err
		}
		ast.Inspect(file, func(n ast.Node) bool {
			if kind, key, ok := logKey(n); ok {
				keys[key+" "+kind] = true
			}
			return true
		})
		return nil
	}
	for _, top := range []string{"bridge", "cmd", "config", "supervision"} {
		require.NoError(t, filepath.WalkDir(filepath.Join("../../..", top), walk))
	}
	require.Greater(t, len(keys), 50, "is this the root of the module?")
	compare(t, "logkeys.txt", strings.Join(slices.Sorted(maps.Keys(keys)), "\n")+"\n")
}

// logKey reads a call such as zap.String("line", name).
func logKey(n ast.Node) (kind, key string, ok bool) {
	call, isCall := n.(*ast.CallExpr)
	if !isCall || len(call.Args) == 0 {
		return "", "", false
	}
	of, isSelector := call.Fun.(*ast.SelectorExpr)
	if !isSelector {
		return "", "", false
	}
	literal, isLiteral := call.Args[0].(*ast.BasicLit)
	if from, isName := of.X.(*ast.Ident); !isName || from.Name != "zap" || !isLiteral {
		return "", "", false
	}
	key, err := strconv.Unquote(literal.Value)
	return of.Sel.Name, key, err == nil
}
