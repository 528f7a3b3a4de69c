package config

import (
	"errors"
	"fmt"
	"io/fs"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"clearback/config/file"
)

// systemdUnit finds the credentials of a systemd unit from outside the unit, for somebody who may read them, such as
// root.
type systemdUnit struct {
	name string
	// folders holds the folders with unit files; an earlier one takes precedence (systemd.unit(5)).
	folders []string
	// handedOver is the folder with the credentials of the running units (systemd.exec(5)).
	handedOver string
}

// serviceUnit returns a unit that the packages install: clearback or clearback-relay.
func serviceUnit(name string) systemdUnit {
	return systemdUnit{name: name + ".service", handedOver: "/run/credentials", folders: []string{"/etc/systemd/system",
		"/run/systemd/system", "/usr/local/lib/systemd/system", "/usr/lib/systemd/system", "/lib/systemd/system"}}
}

// LoadForCheck is [Load] for a person who checks the file. Outside the unit, it reads the secrets that the file names
// as {credential: NAME} from where clearback.service gets them at its next start.
func LoadForCheck(path string) (*Config, Faults, error) {
	return loadForCheck(path, serviceUnit("clearback"))
}

// CredentialFile returns the file from which clearback.service gets a credential at its next start. It returns "" if the
// unit is not installed, or gets the credential in another way. The file need not exist.
func CredentialFile(name string) string { return serviceUnit("clearback").source(name) }

// ParseForBackup is [Parse] for a file that is saved or restored: it reads no secret, and no environment variable,
// since those of the service manager may belong to another unit. So the default paths are those that people's commands
// use. name is where the file is or will be. If there are faults, the Config holds what could be read; it is nil if
// that is nothing.
func ParseForBackup(name string, data []byte) (*Config, Faults) {
	unread := []byte(unreadSecret)
	d := newDecoder(name, Env{
		Getenv: func(name string) (string, bool) {
			return unreadSecret, !slices.Contains(unitFolders, name)
		},
		ReadFile:   func(string) ([]byte, error) { return unread, nil },
		Credential: func(name string) ([]byte, string, error) { return unread, CredentialFile(name), nil },
	})
	return d.decode(data), d.sorted()
}

// unitFolders are the environment variables in which systemd names a unit's folders (systemd.exec(5)).
var unitFolders = []string{"STATE_DIRECTORY", "RUNTIME_DIRECTORY", "CREDENTIALS_DIRECTORY"}

// SecretFiles returns the paths of the files with secrets and private keys, sorted: those that the file names, and, if
// it was not loaded in the unit, those from which the unit gets its credentials.
func (c *Config) SecretFiles() []string {
	return slices.Compact(slices.Sorted(slices.Values(c.secrets)))
}

// LoadRelayForCheck is [LoadForCheck] for the agent's file and clearback-relay.service.
func LoadRelayForCheck(path string) (*Relay, Faults, error) {
	data, err := file.Read(path)
	if err != nil {
		return nil, nil, fmt.Errorf("read the configuration: %w", err)
	}
	env := envOf(path)
	env.Credential = serviceUnit("clearback-relay").credential
	r, faults := ParseRelay(path, data, env)
	return r, faults, nil
}

func loadForCheck(path string, u systemdUnit) (*Config, Faults, error) {
	data, err := file.Read(path)
	if err != nil {
		return nil, nil, fmt.Errorf("read the configuration: %w", err)
	}
	env := envOf(path)
	env.Credential = u.credential
	c, faults := Parse(path, data, env)
	return c, faults, nil
}

// credential reads a credential: from the file that the unit names, else from what a running unit was given. The latter
// also has those that the unit decrypts. from is the file whose permissions matter, or "".
func (u systemdUnit) credential(name string) (data []byte, from string, err error) {
	from = u.source(name)
	named, path := from != "", from
	if !named {
		path = filepath.Join(u.handedOver, u.name, name)
	}
	data, err = file.Read(path)
	switch {
	case err == nil:
		return data, from, nil
	case errors.Is(err, fs.ErrPermission):
		return nil, "", fmt.Errorf("there are no credentials here (CREDENTIALS_DIRECTORY is not set), and this user may not read those of %s: %w; run the check as root",
			u.name, err)
	case named:
		return nil, "", fmt.Errorf("%s loads this credential from a file that cannot be read: %w; create the file, or correct LoadCredential=",
			u.name, err)
	}
	return nil, "", fmt.Errorf("there are no credentials here (CREDENTIALS_DIRECTORY is not set), and %s neither runs nor names a file for this one; add LoadCredential=%s:PATH to the unit, or check as the unit does: systemd-run --pipe --wait -p LoadCredentialEncrypted=%[2]s:PATH clearback check FILE",
		u.name, name)
}

// source returns the file from which the unit gets a credential at its next start: the one of its own LoadCredential=
// setting, else the one of that name in the folder of secrets. It returns "" if the unit has neither, or has got the
// credential in another way.
func (u systemdUnit) source(name string) string {
	loaded := u.loaded()
	if path, ok := loaded[name]; ok {
		return path
	}
	folder, ok := loaded[credentialFolder]
	if _, err := os.Stat(filepath.Join(u.handedOver, u.name, name)); !ok || !errors.Is(err, fs.ErrNotExist) {
		return ""
	}
	return filepath.Join(folder, name)
}

// loaded returns the files and folders of the unit's LoadCredential= settings, by the names of the credentials. It
// leaves out what only systemd can resolve: encrypted files, specifiers and relative paths.
func (u systemdUnit) loaded() map[string]string {
	all := map[string]string{}
	for _, path := range u.files() {
		text, err := file.Read(path)
		if err != nil {
			continue // it is masked, or this user may not read it
		}
		section := ""
		for line := range strings.Lines(strings.ReplaceAll(string(text), "\\\n", " ")) {
			line = strings.TrimSpace(line)
			if strings.HasPrefix(line, "[") {
				section = line
			}
			key, value, _ := strings.Cut(line, "=")
			if section != "[Service]" || strings.TrimSpace(key) != "LoadCredential" {
				continue
			}
			id, source, _ := strings.Cut(strings.TrimSpace(value), ":")
			switch {
			case id == "": // an empty setting removes the earlier ones
				clear(all)
			case filepath.IsAbs(source) && !strings.Contains(source, "%"):
				all[id] = source
			}
		}
	}
	return all
}

// files returns the unit's file and its drop-ins, in the order in which systemd reads them: the first file of the unit,
// then the drop-ins by their names, of which those in an earlier folder replace those in a later one.
func (u systemdUnit) files() []string {
	var all []string
	dropIns := map[string]string{}
	for _, dir := range u.folders {
		path := filepath.Join(dir, u.name)
		if _, err := os.Stat(path); err == nil && len(all) == 0 {
			all = append(all, path)
		}
		more, _ := filepath.Glob(filepath.Join(path+".d", "*.conf")) // the pattern is valid
		for _, p := range more {
			if dropIns[filepath.Base(p)] == "" {
				dropIns[filepath.Base(p)] = p
			}
		}
	}
	for _, name := range slices.Sorted(maps.Keys(dropIns)) {
		all = append(all, dropIns[name])
	}
	return all
}
