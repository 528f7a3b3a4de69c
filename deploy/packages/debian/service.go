package debian

import (
	"bytes"
	"embed"
	"os"
	"path/filepath"
	"strings"
	"text/template"

	"github.com/goreleaser/nfpm/v2"
	"github.com/goreleaser/nfpm/v2/files"
)

// templates are the files and templates of the packages.
//
//go:embed files
var templates embed.FS

// service is a package with a unit. Its fields are used by the templates in folder files.
type service struct {
	Unit     string // the name of the package, the unit, the user and the folder of the state
	UserText string
	File     string   // the configuration file
	First    string   // its first version, in folder files
	Secrets  string   // the folder of the secrets
	Write    string   // how to write the file
	Check    string   // the command that checks the file
	Extra    []string // further units, which nobody but an administrator enables
	samples  []string // in the main module's folder deploy
	pages    []string // in the main module's folder; their folders below deploy stay
	text     string   // the package's description
}

var services = []service{
	{
		Unit: "clearback", UserText: "clearback telephone lines",
		File: "/etc/clearback/clearback.yaml", First: "clearback.yaml", Secrets: "/etc/clearback/secrets",
		Write: "Run clearback setup, or edit /etc/clearback/clearback.yaml",
		Check: "clearback check", Extra: []string{"clearback-watch.timer", "clearback-watch.service"}, samples: []string{"clearback.yaml", "contacts.yaml"},
		pages: []string{"SAFETY.md", "deploy/operation.md", "deploy/alerts.yaml", "deploy/contacts.md", "deploy/relay.md",
			"deploy/wiring.md", "deploy/first-line.md", "deploy/adding-a-line.md", "deploy/replacing-an-adapter.md",
			"deploy/fleet/guide.md", "deploy/fleet/site.yaml", "deploy/fleet/sites.yml", "deploy/fleet/prometheus.yml",
			"deploy/fleet/alertmanager.yml", "deploy/fleet/mosquitto.conf", "deploy/fleet/sites.acl",
			"deploy/drawings/one-line.svg", "deploy/drawings/four-lines.svg", "deploy/drawings/driver-stage.svg", "deploy/drawings/loop-current.svg"},
		text: `clears held calls of key telephones when the far end hangs up
A SIP daemon between the VoIP adapter of an old key telephone system and its
PBX or provider. When the far end of a call hangs up, it opens the line's loop
for a moment with a relay, so that a held call clears.
.
Read /usr/share/doc/clearback/SAFETY.md before you wire anything.`,
	},
	{
		Unit: "clearback-relay", UserText: "clearback relay agent",
		File: "/etc/clearback/relay.yaml", First: "relay.yaml", Secrets: "/etc/clearback/relay-secrets",
		Write: "Edit /etc/clearback/relay.yaml",
		Check: "clearback relay --check --config /etc/clearback/relay.yaml", samples: []string{"relay.yaml"},
		pages: []string{"SAFETY.md"},
		text: `opens and closes the relay contacts of telephone lines
The relay agent of clearback, for the machine beside the VoIP adapter: it
serves that machine's GPIO pins and serial ports over Modbus TCP or MQTT, and
ends each opening by itself.`,
	},
}

const binText = `program of clearback, which clears held calls of key telephones
The program that serves telephone lines (package clearback) and relay contacts
(package clearback-relay), with its man pages and completion for bash, zsh and
fish.`

// service makes the package of a unit.
func (r *release) service(s service, arch string) (*nfpm.Info, error) {
	var contents []*files.Content
	for _, unit := range append([]string{s.Unit + ".service"}, s.Extra...) {
		text, err := os.ReadFile(filepath.Join(r.source, "deploy", unit))
		if err != nil {
			return nil, err
		}
		text = bytes.ReplaceAll(text, []byte("/usr/local/bin/clearback"), []byte("/usr/bin/clearback"))
		if err := os.WriteFile(r.path(unit), text, 0o644); err != nil {
			return nil, err
		}
		contents = append(contents, file(r.path(unit), "/usr/lib/systemd/system/"+unit, 0o644))
	}
	for _, sample := range s.samples {
		contents = append(contents, file(filepath.Join(r.source, "deploy", sample),
			"/usr/share/doc/"+s.Unit+"/examples/"+sample, 0o644))
	}
	for _, page := range s.pages {
		contents = append(contents, file(filepath.Join(r.source, page),
			"/usr/share/doc/"+s.Unit+"/"+strings.TrimPrefix(page, "deploy/"), 0o644))
	}
	generated := map[string]string{ // by the path in the package
		"/usr/share/" + s.Unit + "/" + s.First:    r.path(s.Unit + ".first"),
		"/usr/lib/sysusers.d/" + s.Unit + ".conf": r.path(s.Unit + ".sysusers"),
		"/usr/lib/tmpfiles.d/" + s.Unit + ".conf": r.path(s.Unit + ".tmpfiles"),
	}
	for to, from := range map[string]string{
		s.Unit + ".first": s.First, s.Unit + ".sysusers": "sysusers.conf", s.Unit + ".tmpfiles": "tmpfiles.conf",
		s.Unit + ".postinst": "postinst", s.Unit + ".prerm": "prerm", s.Unit + ".postrm": "postrm",
	} {
		if err := r.expand(from, to, s); err != nil {
			return nil, err
		}
	}
	for to, from := range generated {
		contents = append(contents, file(from, to, 0o644))
	}
	info := r.info(s.Unit, arch, s.text, contents)
	info.Depends = []string{"clearback-bin (= " + r.version + ")", "systemd (>= 252)"}
	info.Scripts = nfpm.Scripts{PostInstall: r.path(s.Unit + ".postinst"), PreRemove: r.path(s.Unit + ".prerm"),
		PostRemove: r.path(s.Unit + ".postrm")}
	return info, nil
}

// path returns the path of a generated file.
func (r *release) path(name string) string { return filepath.Join(r.work, name) }

// expand writes a file of folder files with the values of data into the generated file to.
func (r *release) expand(name, to string, data any) error {
	t, err := template.ParseFS(templates, "files/"+name)
	if err != nil {
		return err
	}
	var text bytes.Buffer
	if err := t.Option("missingkey=error").Execute(&text, data); err != nil {
		return err
	}
	return os.WriteFile(r.path(to), text.Bytes(), 0o644)
}
