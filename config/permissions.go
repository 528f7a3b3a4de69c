package config

import (
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"

	"clearback/config/file"
)

// PermissionWarnings returns warnings about the file that was loaded from path. It warns if users other than the owners
// may write the file, its directory or those of the journal and the control socket, or read the files with its secrets
// and private keys. It checks file modes only.
func (c *Config) PermissionWarnings(path string) []string {
	return slices.Concat(permissionWarnings(path, c.SecretFiles()),
		folderWarnings(path, c.Journal.File, "the journal", "falsify the record and what the lines have learnt"),
		folderWarnings(path, c.Control.Socket, "the control socket", "answer in the daemon's place"))
}

// folderWarnings warns if other users may put a file of their own in the place of path. It does not repeat the warning
// about the directory of the configuration.
func folderWarnings(configuration, path, what, harm string) []string {
	dir := filepath.Dir(path)
	if path == "" || dir == filepath.Dir(configuration) && file.Writable(dir) != "" {
		return nil
	}
	info, err := os.Stat(dir)
	switch who := file.Writable(dir); {
	case err != nil:
		return nil // the daemon reports this
	case who != "":
		return []string{fmt.Sprintf("%s, the directory of %s, may be written by %s, who can then %s; chmod go-w it",
			dir, what, who, harm)}
	case info.Mode()&fs.ModeSticky != 0 && info.Mode()&0o002 != 0:
		return []string{fmt.Sprintf("everybody may create files in %s, the directory of %s, and so take its name before the daemon does and then %s; choose another directory",
			dir, what, harm)}
	}
	return nil
}

// PermissionWarnings is [Config.PermissionWarnings] for the agent's file.
func (r *Relay) PermissionWarnings(path string) []string { return permissionWarnings(path, r.secrets) }

func permissionWarnings(path string, secrets []string) (w []string) {
	if who := file.Writable(path); who != "" {
		w = append(w, fmt.Sprintf("%s may be written by %s, who can then open every loop and read every secret; chmod go-w it",
			path, who))
	}
	dirs := []string{filepath.Dir(path)}
	if real, err := filepath.EvalSymlinks(path); err == nil && filepath.Dir(real) != dirs[0] {
		dirs = append(dirs, filepath.Dir(real))
	}
	for _, dir := range dirs {
		if who := file.Writable(dir); who != "" {
			w = append(w, fmt.Sprintf("%s, the directory of the configuration, may be written by %s, who can then put another file in its place; chmod go-w it",
				dir, who))
		}
	}
	for _, s := range slices.Compact(slices.Sorted(slices.Values(secrets))) {
		if who := file.Readable(s); who != "" {
			w = append(w, fmt.Sprintf("%s contains a secret and may be read by %s; chmod 600 it, or have systemd hand it over (LoadCredential=)",
				s, who))
		}
		if who := file.Writable(s); who != "" {
			w = append(w, fmt.Sprintf("%s contains a secret and may be written by %s; chmod 600 it", s, who))
		}
	}
	return w
}

// noteSecret records a file with a secret for [Config.SecretFiles]. A relative path is relative to the
// configuration file.
func (d *decoder) noteSecret(path string) { d.secrets = append(d.secrets, beside(d.file, path)) }

// beside returns a path that is relative to the file of.
func beside(of, path string) string {
	if filepath.IsAbs(path) {
		return path
	}
	return filepath.Join(filepath.Dir(of), path)
}
