package config

import (
	"errors"
	"fmt"
	"path/filepath"
	"strings"
	"time"

	"clearback/bridge/alarms"
	"clearback/bridge/relay/transport"

	"go.yaml.in/yaml/v3"
)

// Alarms is the mapping `alarms:`: how people are told what they must know. Without a way nobody is told.
type Alarms struct {
	// Site is the name of the place in each message; "" means the host's name.
	Site string // site:
	// Folder keeps what has not been sent yet. Its parent must exist.
	Folder string        // folder: default: see completeFiles
	Repeat time.Duration // repeat: default 6h; 0s means never
	// QuietFrom and QuietTo are the quiet hours, in minutes after midnight, local time. They are equal if there are
	// none.
	QuietFrom, QuietTo int // quiet_hours: 22:00-07:00
	// Summary is when the summary of a week is sent; nil means never.
	Summary *WeekTime // summary: monday 09:00
	// PerHour bounds the ordinary messages in any 60 min.
	PerHour int // per_hour: default 12
	// RegistrationLost is how long an adapter or a service must be unregistered before that is an alarm.
	RegistrationLost time.Duration // registration_lost: default 5m
	Ways             []AlarmWay    // ways:
}

// WeekTime is a time of each week, local time.
type WeekTime struct {
	Day    time.Weekday
	Minute int // after midnight
}

// AlarmWay is a way out. It has exactly one of Mail, Webhook, MQTT and Program.
type AlarmWay struct {
	Name    string        // name:
	Mail    *Mail         // mail:
	Webhook *Webhook      // webhook:
	MQTT    *AlarmBroker  // mqtt:
	Program *AlarmProgram // program:
}

// Mail is a mail server (SMTP), our account there and a recipient.
type Mail struct {
	Host string // host:
	Port int    // port: default 465, or 587 with starttls
	// StartTLS begins the connection in clear and demands STARTTLS (RFC 3207). Otherwise TLS begins at once (RFC 8314).
	StartTLS bool   // starttls:
	Peer            // without timeout
	From, To string // from:, to: one address each
}

// Webhook is a URL to which each message is posted.
type Webhook struct {
	URL    Secret // url: a secret, or plain
	Secret Secret // secret: with which messages are signed
	Peer          // only the certificates
}

// AlarmBroker is an MQTT broker and the beginning of our topics there.
type AlarmBroker struct {
	Address string // address: mqtt://host:port or mqtts://host:port
	Peer           // without timeout
	Topic   string // topic:
}

// AlarmProgram is a program of the user's own that gets each message on its standard input.
type AlarmProgram struct {
	Path      string   // path: absolute
	Arguments []string // arguments:
}

// The bounds are our own numbers.
const (
	defaultRepeat           = 6 * time.Hour   // once in a shift
	defaultPerHour          = 12              // one every 5 min on average
	defaultRegistrationLost = 5 * time.Minute // adapters that restart are back earlier
	mostWays                = 16
	summaryKeep             = 14 * day // the week, and the week in which its summary can be sent late
)

func alarmKeys(a *Alarms) []key {
	ways := list("ways", &a.Ways, fresh[AlarmWay], wayKeys)
	return []key{
		text("site", &a.Site, "a name"),
		text("folder", &a.Folder, "a path"),
		value("repeat", &a.Repeat, "a time like 6h", spans("0s for never, or 10m to 168h", 10*time.Minute, 168*time.Hour)),
		quietHours("quiet_hours", &a.QuietFrom, &a.QuietTo),
		value("summary", &a.Summary, "a day and a time like monday 09:00", weekTime),
		number("per_hour", &a.PerHour, 1, 60),
		duration("registration_lost", &a.RegistrationLost, 10*time.Second, 24*time.Hour),
		ways,
	}
}

func wayKeys(w *AlarmWay) []key {
	return []key{
		required(value("name", &w.Name, "a name", name)),
		optional("mail", &w.Mail, fresh[Mail], func(m *Mail) []key {
			return append(accessKeys(&m.Peer),
				required(value("host", &m.Host, "a host", host)),
				number("port", &m.Port, 1, 65535),
				yesNo("starttls", &m.StartTLS),
				required(text("from", &m.From, "an address")),
				required(text("to", &m.To, "an address")),
			)
		}),
		optional("webhook", &w.Webhook, fresh[Webhook], func(h *Webhook) []key {
			return append(certificateKeys(&h.Peer), required(hookURL("url", &h.URL)), secret("secret", &h.Secret))
		}),
		optional("mqtt", &w.MQTT, fresh[AlarmBroker], func(b *AlarmBroker) []key {
			return append(accessKeys(&b.Peer),
				required(value("address", &b.Address, "mqtt://host:port or mqtts://host:port", brokerAddress)),
				required(value("topic", &b.Topic, "a topic", topicPrefix)))
		}),
		optional("program", &w.Program, fresh[AlarmProgram], func(p *AlarmProgram) []key {
			return []key{required(value("path", &p.Path, "a path", absolute)), literals("arguments", &p.Arguments)}
		}),
	}
}

// hookURL is a URL, plain or as a secret, since its path often is one.
func hookURL(name string, into *Secret) key {
	k := secret(name, into)
	read := k.read
	k.read = func(d *decoder, path string, n *yaml.Node) {
		if n.Kind == yaml.MappingNode {
			read(d, path, n)
		} else if s, ok := d.scalar(path, n, "a URL"); ok {
			*into = NewSecret(s)
		}
	}
	return k
}

// quietHours is a range of times of day, such as 22:00-07:00.
func quietHours(name string, from, to *int) key {
	return key{name: name, read: func(d *decoder, path string, n *yaml.Node) {
		s, ok := d.scalar(path, n, "two times of day like 22:00-07:00")
		if !ok {
			return
		}
		first, last, _ := strings.Cut(s, "-")
		a, err := time.Parse("15:04", first)
		b, err2 := time.Parse("15:04", last)
		if err != nil || err2 != nil || a.Equal(b) {
			d.add(n, "%s: %q is not a range of times of day; write two different ones, such as 22:00-07:00", path, s)
			return
		}
		*from, *to = a.Hour()*60+a.Minute(), b.Hour()*60+b.Minute()
	}}
}

// weekTime parses a day of the week and a time of day, such as monday 09:00.
func weekTime(s string) (*WeekTime, error) {
	word, clock, _ := strings.Cut(s, " ")
	t, err := time.Parse("15:04", strings.TrimSpace(clock))
	for day := time.Sunday; day <= time.Saturday && err == nil; day++ {
		if strings.EqualFold(word, day.String()) {
			return &WeekTime{Day: day, Minute: t.Hour()*60 + t.Minute()}, nil
		}
	}
	return nil, errors.New("is not a day and a time; write it like monday 09:00")
}

// checkSummary reports a summary for which the journal does not have what it needs.
func (d *decoder) checkSummary(c *Config) {
	switch keep := c.Journal.Keep; {
	case c.Alarms.Summary == nil:
	case c.Journal.File == "":
		d.add(d.at("alarms.summary"),
			"alarms.summary: it is made from the journal, and journal.file is none; set a file, or remove the summary")
	case keep != 0 && keep < summaryKeep:
		d.add(d.at("alarms.summary"),
			"alarms.summary: a summary needs the calls of a week, but journal.keep is %v; set journal.keep to 14d or more, or "+
				"remove the summary",
			keep)
	}
}

func (d *decoder) checkAlarms(a *Alarms) {
	if len(a.Ways) > mostWays {
		d.add(d.at("alarms.ways"), "alarms.ways: there are %d; at most %d are possible", len(a.Ways), mostWays)
	}
	seen := map[string]bool{}
	for i := range a.Ways {
		w, at := &a.Ways[i], fmt.Sprintf("alarms.ways[%d]", i)
		if w.Name != "" && seen[w.Name] {
			d.add(d.at(at+".name"), "%s.name: there are two ways called %q; give each its own name", at, w.Name)
		}
		seen[w.Name] = true
		kinds := 0
		for _, kind := range []string{"mail", "webhook", "mqtt", "program"} {
			if d.has(at + "." + kind) {
				kinds++
			}
		}
		if kinds != 1 {
			d.add(d.at(at), "%s: write exactly one of mail, webhook, mqtt and program", at)
			continue
		}
		d.checkWay(w, at)
	}
}

// checkWay reports what the way finds wrong with its settings.
func (d *decoder) checkWay(w *AlarmWay, at string) {
	switch {
	case w.Mail != nil:
		o := w.Mail.Options()
		o.Password = w.Mail.Password.forCheck()
		d.addAll(at+".mail", o.Check())
	case w.Webhook != nil:
		o := w.Webhook.Options()
		o.Secret = w.Webhook.Secret.forCheck()
		if u := w.Webhook.URL; u.unknown || u.text == unreadSecret {
			o.URL = "https://" + unreadSecret
		}
		d.addAll(at+".webhook", o.Check())
	case w.MQTT != nil:
		o := w.MQTT.Options()
		o.Password = w.MQTT.Password.forCheck()
		d.addAll(at+".mqtt", o.Check())
	case w.Program != nil:
		d.addAll(at+".program", w.Program.Options().Check())
	}
}

func (p *Peer) tls() transport.TLS {
	return transport.TLS{CA: p.CA, Certificate: p.Certificate, Key: p.Key, ServerName: p.ServerName}
}

// Options returns the options of the way.
func (m *Mail) Options() alarms.MailOptions {
	return alarms.MailOptions{Host: m.Host, Port: m.Port, StartTLS: m.StartTLS, TLS: m.tls(), User: m.User,
		Password: m.Password.Reveal(), From: m.From, To: m.To}
}

// Options returns the options of the way.
func (h *Webhook) Options() alarms.WebhookOptions {
	return alarms.WebhookOptions{URL: h.URL.Reveal(), TLS: h.tls(), Secret: h.Secret.Reveal()}
}

// Options returns the options of the way.
func (b *AlarmBroker) Options() alarms.MQTTOptions {
	return alarms.MQTTOptions{Address: b.Address, User: b.User, Password: b.Password.Reveal(), TLS: b.tls(),
		Topic: b.Topic}
}

// Options returns the options of the way.
func (p *AlarmProgram) Options() alarms.ProgramOptions {
	return alarms.ProgramOptions{Path: p.Path, Arguments: p.Arguments}
}

// peers returns the peers of the ways.
func (a *Alarms) peers() (all []*Peer) {
	for i := range a.Ways {
		switch w := &a.Ways[i]; {
		case w.Mail != nil:
			all = append(all, &w.Mail.Peer)
		case w.Webhook != nil:
			all = append(all, &w.Webhook.Peer)
		case w.MQTT != nil:
			all = append(all, &w.MQTT.Peer)
		}
	}
	return all
}

// CertificateFiles returns the paths of the PEM files with certificates that the file names, in its order, once each.
func (c *Config) CertificateFiles() (all []string) {
	add := func(p *Peer) {
		for _, path := range []string{p.CA, p.Certificate} {
			if path != "" {
				all = append(all, path)
			}
		}
	}
	for i := range c.Controllers {
		for _, r := range drivers {
			if r.files == nil {
				continue
			}
			if p := r.files(&c.Controllers[i]); p != nil {
				add(p)
			}
		}
	}
	for _, p := range c.Alarms.peers() {
		add(p)
	}
	return distinct(all)
}

func distinct(all []string) (once []string) {
	seen := map[string]bool{}
	for _, s := range all {
		if !seen[s] {
			seen[s], once = true, append(once, s)
		}
	}
	return once
}

// completeAlarms sets the paths that the file leaves out or gives relative to itself. state is the folder of the
// journal, by default.
func (d *decoder) completeAlarms(a *Alarms, state, prefix string) {
	if a.Folder == "" {
		a.Folder = filepath.Join(state, prefix+"alarms")
	} else {
		a.Folder = beside(d.file, a.Folder)
	}
	for _, p := range a.peers() {
		p.complete(filepath.Dir(d.file))
	}
}
