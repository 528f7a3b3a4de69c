package frozen

import (
	"fmt"
	"os"
	"path/filepath"
	"reflect"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// compare compares the present output with a file of testdata.
func compare(t *testing.T, name, now string) {
	t.Helper()
	frozen, err := os.ReadFile(filepath.Join("testdata", name))
	require.NoError(t, err)
	require.Equal(t, string(frozen), now,
		"testdata/%s is frozen: others rely on it. If that is meant, change it by hand, and give the reason in the commit's message",
		name)
}

// evening is an instant with every digit set.
var evening = time.Date(2026, 3, 14, 19, 30, 0, 123_456_789, time.UTC)

// fill sets everything in a value to something other than zero, so that its JSON has every field. A field whose JSON
// name would be its Go name is a fault.
func fill(t *testing.T, v reflect.Value, name string) {
	t.Helper()
	switch {
	case v.Type() == reflect.TypeFor[time.Time]():
		v.Set(reflect.ValueOf(evening))
		return
	case v.Kind() == reflect.Pointer:
		v.Set(reflect.New(v.Type().Elem()))
		fill(t, v.Elem(), name)
	case v.Kind() == reflect.Slice:
		v.Set(reflect.MakeSlice(v.Type(), 1, 1))
		fill(t, v.Index(0), name)
	case v.Kind() == reflect.Struct:
		for i := range v.NumField() {
			f := v.Type().Field(i)
			tag, _, _ := strings.Cut(f.Tag.Get("json"), ",")
			require.True(t, tag != "" || f.Anonymous, "%s.%s has no tag for JSON", v.Type(), f.Name)
			if tag != "-" {
				fill(t, v.Field(i), tag)
			}
		}
	case v.Kind() == reflect.String:
		v.SetString("the " + name)
	case v.Kind() == reflect.Bool:
		v.SetBool(true)
	case v.CanInt():
		v.SetInt(int64(len(name)))
	case v.CanUint():
		v.SetUint(uint64(len(name)))
	case v.CanFloat():
		v.SetFloat(float64(len(name)) + 0.125)
	default:
		t.Fatalf("%s: no value is known for %s", name, v.Type())
	}
}

// full returns a value with every field set.
func full[T any](t *testing.T) T {
	t.Helper()
	var v T
	fill(t, reflect.ValueOf(&v).Elem(), "value")
	return v
}

// transcript collects the output that a test compares.
type transcript struct{ strings.Builder }

func (tr *transcript) printf(format string, a ...any) { fmt.Fprintf(&tr.Builder, format, a...) }
