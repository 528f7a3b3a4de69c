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

// TestAdviceCanBeTyped parses every command that the program, its pages and its samples advise, with that command's own
// parser.
func TestAdviceCanBeTyped(t *testing.T) {
	t.Setenv(configVariable, "/nowhere/usual.yaml")
	said := map[string]string{}
	take := func(where, text string) {
		for _, m := range typed.FindAllStringSubmatch(text, -1) {
			if !strings.ContainsAny(m[1], "[|\n") { // otherwise the command is a synopsis
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

// folded returns the text of a string expression. A line name stands for each computed part.
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

// refused returns why the command's own parser rejects the arguments, "" if it accepts them. A help flag at the end
// keeps the command from running.
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

// These commands cannot be typed, so the parser must reject them.
func TestAdviceThatCannotBeTyped(t *testing.T) {
	for _, text := range []string{"check --alive", "pulse box-office stage-door", "open box-office", "tune --write"} {
		assert.NotEmpty(t, refused(strings.Fields(text)), text)
	}
}

// The command that `tune` advises has the flags that were given, and quotes a path with blanks.
func TestGivenFlagsCanBeTyped(t *testing.T) {
	f := pflag.NewFlagSet("tune", pflag.ContinueOnError)
	f.String("config", "", "")
	f.Bool("resume", false, "")
	f.Int("holds", 25, "")
	require.NoError(t, f.Parse([]string{"--config", "/srv/stage door/it's.yaml", "--holds", "9", "--resume"}))
	assert.Equal(t, ` --config '/srv/stage door/it'\''s.yaml' --holds 9`, given(f, "resume"))
	assert.Equal(t, "/etc/clearback/clearback.yaml", shellWord("/etc/clearback/clearback.yaml"))
}
