package facility

import (
	"cmp"
	"fmt"
	"net/url"
	"strings"
	"time"
)

// resend is how often an Alertmanager is told what is on unless the file says
// otherwise: Prometheus does it every minute as well.
const resend = time.Minute

// Alertmanager is one that is told which alarms are on.
type Alertmanager struct {
	ID string `yaml:"id" rule:"need"`
	// URL is the address of its pages; /api/v2/alerts comes behind it.
	URL string `yaml:"url" rule:"need"`
	// Resend is the interval at which it is told. An alarm that it does not
	// hear of for four of them ends there, within the quarter of an hour for
	// which rearguard tells the end of an alarm.
	Resend time.Duration `yaml:"resend" rule:"range=1s..3m"`
	// Username and its password, or a token, say who calls; none of them where
	// it does not ask.
	Username     string `yaml:"username"`
	PasswordFile string `yaml:"password_file"`
	PasswordEnv  string `yaml:"password_env"`
	TokenFile    string `yaml:"token_file"`
	TokenEnv     string `yaml:"token_env"`
	// CAFile holds the certificates that vouch for it, in PEM; the system's are
	// used if it is empty.
	CAFile string `yaml:"ca_file"`
}

// Password tells where the password is.
func (a Alertmanager) Password() Secret { return Secret{File: a.PasswordFile, Env: a.PasswordEnv} }

// Token tells where the bearer token is.
func (a Alertmanager) Token() Secret { return Secret{File: a.TokenFile, Env: a.TokenEnv} }

func (a *Alertmanager) fillDefaults() { a.Resend = cmp.Or(a.Resend, resend) }

func (a *Alertmanager) paths() []*string { return []*string{&a.PasswordFile, &a.TokenFile, &a.CAFile} }

func (d *document) validateAlertmanagers(list []Alertmanager) {
	d.ids("alertmanagers", len(list), func(i int) string { return list[i].ID })
	seen := map[string]int{}
	for i, a := range list {
		path := fmt.Sprintf("alertmanagers[%d]", i)
		d.validateAlertmanager(path, a)
		address := strings.TrimRight(a.URL, "/")
		if line, twice := seen[address]; twice && address != "" {
			d.Fault(path+".url", "this Alertmanager is told already", fmt.Sprintf("line %d is the other: keep one of them", line))
		} else {
			seen[address] = d.Line(path + ".url")
		}
	}
}

func (d *document) validateAlertmanager(path string, a Alertmanager) {
	plain := false
	if a.URL != "" {
		const advice = "write the address of its pages, for example https://alerts.example.org"
		u, err := url.Parse(a.URL)
		plain = err == nil && u.Scheme == "http"
		switch p := urlProblem(a.URL); {
		case p != "":
			d.Fault(path+".url", p, advice)
		case u.RawQuery != "":
			d.Fault(path+".url", "the address holds a query (?)", advice)
		case strings.Contains(u.Path, "/api/v"):
			d.Fault(path+".url", "the address is that of the interface", "leave out what begins with /api: rearguard adds it")
		}
		// Names of the machine itself lead over no network.
		plain = plain && !loopback(u.Hostname())
	}
	password := d.secret(path, "password", a.PasswordFile, a.PasswordEnv)
	token := d.secret(path, "token", a.TokenFile, a.TokenEnv)
	switch {
	case password && token:
		d.Fault(path, "both a password and a token are given", "keep the one that this Alertmanager asks for")
	case password && a.Username == "":
		d.Fault(path, "a password without a username", "add username:")
	case !password && a.Username != "":
		d.Fault(path, "a username without a password", "add password_file: or password_env:")
	case plain && password:
		d.Fault(path+".url", "the password would cross the network readable by all", "use https://")
	case plain && token:
		d.Fault(path+".url", "the token would cross the network readable by all", "use https://")
	}
	if a.CAFile != "" && strings.HasPrefix(a.URL, "http:") {
		d.Fault(path+".ca_file", "ca_file has no use with http://", "write the address with https://, or remove the key")
	}
}

func (d *document) checkAlertmanagers(list []Alertmanager) {
	for i, a := range list {
		path := fmt.Sprintf("alertmanagers[%d]", i)
		d.checkSecret(path, "password", a.Password())
		d.checkSecret(path, "token", a.Token())
		d.checkAuthorities(path+".ca_file", a.CAFile)
	}
}
