package cli

import (
	"bytes"
	"go/ast"
	"go/parser"
	"go/token"
	"io/fs"
	"os"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"

	"github.com/spf13/pflag"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

var (
	typed  = regexp.MustCompile("`(?:go run ./cmd/)?clearback ([^`]*)`")
	wanted = regexp.MustCompile(`%\[?[0-9]?\]?[a-z]`)
)

// TestAdviceCanBeTyped: each command that the program, its pages and its samples tell people to type passes the parser of that command.
func TestAdviceCanBeTyped(t *testing.T) {
	t.Setenv(configVariable, "/nowhere/usual.yaml")
	said := map[string]string{}
	take := func(where, text string) {
		for _, m := range typed.FindAllStringSubmatch(text, -1) {
			if !strings.ContainsAny(m[1], "[|\n") { // else it is a synopsis
				said[m[1]] = where
			}
		}
	}
	root := filepath.Join("..", "..", "..")
	require.NoError(t, filepath.WalkDir(root, func(path string, e fs.DirEntry, err error) error {
		switch {
		case err != nil, e.IsDir() && e.Name() == "testdata":
			return errOrSkip(err)
		case strings.HasSuffix(path, "_test.go"):
		case strings.HasSuffix(path, ".go"):
			file, err := parser.ParseFile(token.NewFileSet(), path, nil, 0)
			if err != nil {
				return err
			}
			ast.Inspect(file, func(n ast.Node) bool {
				if x, ok := n.(ast.Expr); ok {
					take(path, folded(x))
				}
				return true
			})
		case strings.HasSuffix(path, ".md"), strings.HasSuffix(path, ".yaml"), strings.HasSuffix(path, ".service"):
			text, err := os.ReadFile(path)
			if err != nil {
				return err
			}
			take(path, string(text))
		}
		return nil
	}))
	require.Greater(t, len(said), 25)
	for command, where := range said {
		args := strings.Fields(wanted.ReplaceAllString(command, "box-office"))
		assert.Empty(t, refused(args), "%s says `clearback %s`", where, command)
	}
}

func errOrSkip(err error) error {
	if err != nil {
		return err
	}
	return filepath.SkipDir
}

// folded is the text of a string expression; what is computed stands for a line.
func folded(x ast.Expr) string {
	switch x := x.(type) {
	case *ast.BasicLit:
		if s, err := strconv.Unquote(x.Value); err == nil && x.Kind == token.STRING {
			return s
		}
	case *ast.BinaryExpr:
		if x.Op == token.ADD {
			left, right := folded(x.X), folded(x.Y)
			if left+right == "" {
				return ""
			}
			return or(left) + or(right)
		}
	}
	return ""
}

func or(s string) string {
	if s == "" {
		return "LINE"
	}
	return s
}

// refused says why the command's own parser does not take the arguments, "" if it does. The help that is asked for last keeps the command from
// being carried out.
func refused(args []string) string {
	var out, err bytes.Buffer
	if args[0] == "version" {
		return ""
	}
	if code := Main(append(args, "-h"), Streams{Out: &out, Err: &err}, nil); code != ExitOK {
		return err.String()
	}
	for _, c := range commands() {
		if c.name == args[0] && len(args) == 2 && strings.HasPrefix(args[1], "-") &&
			strings.HasPrefix(c.operands, "LINE") {
			return "it needs a line"
		}
	}
	return ""
}

// The parser is heard: these cannot be typed.
func TestAdviceThatCannotBeTyped(t *testing.T) {
	for _, text := range []string{"check --alive", "pulse box-office stage-door", "open box-office", "tune --write"} {
		assert.NotEmpty(t, refused(strings.Fields(text)), text)
	}
}

// What `tune` says to type has the flags that were given, a path with blanks in quotes.
func TestGivenFlagsCanBeTyped(t *testing.T) {
	f := pflag.NewFlagSet("tune", pflag.ContinueOnError)
	f.String("config", "", "")
	f.Bool("resume", false, "")
	f.Int("holds", 25, "")
	require.NoError(t, f.Parse([]string{"--config", "/srv/stage door/it's.yaml", "--holds", "9", "--resume"}))
	assert.Equal(t, ` --config '/srv/stage door/it'\''s.yaml' --holds 9`, given(f, "resume"))
	assert.Equal(t, "/etc/clearback/clearback.yaml", shellWord("/etc/clearback/clearback.yaml"))
}
