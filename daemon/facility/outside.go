package facility

import (
	"cmp"
	"fmt"
	"time"
)

// How often somebody outside is told that this site is well, and after which
// silence another site counts as silent, unless the file says otherwise: a
// receiver can let two beats be lost (common practice, no published source).
const (
	beatEvery   = time.Minute
	silentAfter = 10 * time.Minute
)

// Heartbeat is an address outside the site that is called as long as all is
// proven well, and alarms people when the calls end.
type Heartbeat struct {
	// URL is called, or the address that URLFile or URLEnv names: often it is
	// all that a caller needs to know.
	URL     string `yaml:"url"`
	URLFile string `yaml:"url_file"`
	URLEnv  string `yaml:"url_env"`
	// Method is that of HTTP.
	Method string        `yaml:"method" rule:"one=get|post"`
	Every  time.Duration `yaml:"every" rule:"range=10s..1h"`
	// CAFile holds the certificates that vouch for the server, in PEM; the
	// system's are used if it is empty.
	CAFile string `yaml:"ca_file"`
}

// Address reads the address.
func (h *Heartbeat) Address() (string, error) {
	if h.URL != "" {
		return h.URL, nil
	}
	text, err := Secret{File: h.URLFile, Env: h.URLEnv}.Read()
	if err == nil && urlProblem(text) != "" {
		// The text is secret.
		err = fmt.Errorf("what %s holds is not a web address", cmp.Or(h.URLFile, h.URLEnv))
	}
	return text, err
}

// Peer is another site with a rearguard of its own: each can watch the other.
type Peer struct {
	ID   string `yaml:"id" rule:"need"`
	Name string `yaml:"name"`
	// URL is where the other takes our beats, empty to send none.
	URL string `yaml:"url"`
	// SecretFile or SecretEnv names what both sites sign their beats with.
	SecretFile string        `yaml:"secret_file"`
	SecretEnv  string        `yaml:"secret_env"`
	Every      time.Duration `yaml:"every" rule:"range=10s..1h"`
	// SilentAfter is how long nothing may come from it.
	SilentAfter time.Duration `yaml:"silent_after" rule:"range=2m..24h"`
	CAFile      string        `yaml:"ca_file"`
}

// Secret tells where the shared secret is.
func (p *Peer) Secret() Secret { return Secret{File: p.SecretFile, Env: p.SecretEnv} }

func (f *Facility) fillOutside() {
	if h := f.Heartbeat; h != nil {
		h.Method, h.Every = cmp.Or(h.Method, "get"), cmp.Or(h.Every, beatEvery)
	}
	for i := range f.Peers {
		p := &f.Peers[i]
		p.Name, p.Every, p.SilentAfter = cmp.Or(p.Name, p.ID), cmp.Or(p.Every, beatEvery), cmp.Or(p.SilentAfter, silentAfter)
	}
}

func (f *Facility) outsidePaths() []*string {
	var paths []*string
	if h := f.Heartbeat; h != nil {
		paths = append(paths, &h.URLFile, &h.CAFile)
	}
	for i := range f.Peers {
		paths = append(paths, &f.Peers[i].SecretFile, &f.Peers[i].CAFile)
	}
	return paths
}

func (d *document) validateOutside(f *Facility) {
	if h := f.Heartbeat; h != nil {
		named := d.secret("heartbeat", "url", h.URLFile, h.URLEnv)
		switch {
		case h.URL == "" && !named:
			d.Fault("heartbeat", "there is no address to call", "add url:, or url_file: or url_env: where the address is secret")
		case h.URL != "" && named:
			d.Fault("heartbeat.url", "the address is given twice", "keep one of url, url_file and url_env")
		case h.URL != "":
			outsideURL(d, "heartbeat.url", h.URL, "write the address that the watcher gave you")
		}
	}
	d.ids("peers", len(f.Peers), func(i int) string { return f.Peers[i].ID })
	for i := range f.Peers {
		p, path := &f.Peers[i], fmt.Sprintf("peers[%d]", i)
		if !d.secret(path, "secret", p.SecretFile, p.SecretEnv) {
			d.Fault(path, "there is no secret to know the other site by", "add secret_file: or secret_env:, the same on both sites")
		}
		if p.URL != "" {
			outsideURL(d, path+".url", p.URL, "write where the other site takes our beats, for example https://north.example.org/api/v1/peers/OUR-ID/beat")
		}
		if p.SilentAfter < 2*p.Every {
			d.Fault(path+".silent_after", "one late beat would be an alarm", "give at least two times every:")
		}
	}
}

func outsideURL(d *document, path, text, advice string) {
	if p := urlProblem(text); p != "" {
		d.Fault(path, p, advice)
	}
}

func (d *document) checkOutside(f *Facility) {
	if h := f.Heartbeat; h != nil {
		d.checkSecret("heartbeat", "url", Secret{File: h.URLFile, Env: h.URLEnv})
		d.checkAuthorities("heartbeat.ca_file", h.CAFile)
	}
	for i := range f.Peers {
		path := fmt.Sprintf("peers[%d]", i)
		d.checkSecret(path, "secret", f.Peers[i].Secret())
		d.checkAuthorities(path+".ca_file", f.Peers[i].CAFile)
	}
}
