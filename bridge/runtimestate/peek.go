package runtimestate

import (
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
)

// Peek reads one piece of a folder into v. It may be called while a Store has the folder open, and does not disturb it.
// It returns false if there is no such piece.
func Peek(dir, name string, v any) (bool, error) {
	text, err := readFile(filepath.Join(dir, name+suffix))
	if errors.Is(err, fs.ErrNotExist) {
		return false, nil
	}
	if err != nil {
		return false, err
	}
	return true, json.Unmarshal(text, v)
}

func readFile(path string) ([]byte, error) {
	f, err := os.Open(path)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	text, err := io.ReadAll(io.LimitReader(f, maxSize+1))
	if err == nil && len(text) > maxSize {
		return nil, fmt.Errorf("%s is longer than %d bytes", path, maxSize)
	}
	return text, err
}
