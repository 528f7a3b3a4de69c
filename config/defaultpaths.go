package config

import (
	"cmp"
	"path/filepath"
	"strings"
)

// noFile is the value of journal.file and control.socket that switches the journal or the socket off.
const noFile = "none"

// completeFiles sets the paths of the journal and the control socket. A path that the file does not set is in the first
// of these folders that applies: the one that systemd names to the daemon; for a file in /etc/NAME, /var/lib/NAME and
// /run/NAME; the folder of the file. The second rule is for people's commands, which run outside the unit and have to
// find the same paths. The names are journal.db and control. For a file that is not called clearback they begin with
// its name without the extension, so that two files in one folder do not share them.
func (d *decoder) completeFiles(c *Config) {
	absolute, err := filepath.Abs(d.file)
	if err != nil {
		absolute = d.file // the working directory is gone; checkControl refuses a relative path
	}
	prefix := strings.TrimSuffix(filepath.Base(absolute), filepath.Ext(absolute)) + "."
	if prefix == "clearback." {
		prefix = ""
	}
	state, runtime := d.folders(filepath.Dir(absolute))
	d.completeAlarms(&c.Alarms, state, prefix)
	switch c.Journal.File {
	case noFile:
		c.Journal.File = ""
	case "":
		c.Journal.File = filepath.Join(state, prefix+"journal.db")
	default:
		c.Journal.File = beside(d.file, c.Journal.File)
	}
	switch c.Control.Socket {
	case noFile:
		c.Control.Socket = ""
	case "":
		c.Control.Socket = filepath.Join(runtime, prefix+"control")
		if len(c.Control.Socket) > socketPathLimit {
			c.Control.Socket, c.Control.tooLong = "", c.Control.Socket
		}
	}
}

// folders returns the default folders of the journal and the control socket for a file in the folder dir.
func (d *decoder) folders(dir string) (state, runtime string) {
	state, runtime = dir, dir
	if name, ok := strings.CutPrefix(dir+"/", "/etc/"); ok {
		name = cmp.Or(name, "clearback")
		state, runtime = filepath.Join("/var/lib", name), filepath.Join("/run", name)
	}
	for variable, folder := range map[string]*string{"STATE_DIRECTORY": &state, "RUNTIME_DIRECTORY": &runtime} {
		if d.env.Getenv == nil {
			continue
		}
		// If the unit names several folders, the variable holds all of them (systemd.exec(5)).
		all, _ := d.env.Getenv(variable)
		if first, _, _ := strings.Cut(all, ":"); filepath.IsAbs(first) {
			*folder = first
		}
	}
	return state, runtime
}
