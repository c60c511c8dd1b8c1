package facility

import (
	"crypto/tls"
	"crypto/x509"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"

	"rearguard/alerts/notify/invite"
	"rearguard/alerts/notify/keyfile"
	"rearguard/alerts/notify/push"
)

// Secret says where a password or key is kept. The zero value is no secret.
type Secret struct{ File, Env string }

// Read returns the secret without line breaks at its end. It is read anew
// each time, so that a changed password needs no restart. No secret gives
// "" and no error; an empty one is an error.
func (s Secret) Read() (string, error) {
	switch {
	case s.File != "":
		data, err := keyfile.Read(s.File)
		if err != nil {
			return "", fmt.Errorf("read secret: %w", err)
		}
		secret := strings.TrimRight(string(data), "\r\n")
		if secret == "" {
			return "", fmt.Errorf("read secret: %s is empty", s.File)
		}
		return secret, nil
	case s.Env != "":
		secret := os.Getenv(s.Env)
		if secret == "" {
			return "", fmt.Errorf("read secret: the environment variable %s is not set", s.Env)
		}
		return secret, nil
	}
	return "", nil
}

// joinPaths makes every path of the file relative to folder.
func (f *Facility) joinPaths(folder string) {
	paths := []*string{
		&f.Records.Path, &f.Broker.PasswordFile, &f.Broker.CAFile, &f.Broker.CertificateFile, &f.Broker.KeyFile,
		&f.Web.LinkKeyFile,
	}
	for i := range f.Channels {
		c := &f.Channels[i]
		paths = append(paths, &c.SecretFile, &c.CAFile)
		if c.SMTP != nil {
			paths = append(paths, &c.SMTP.PasswordFile, &c.SMTP.CAFile)
		}
		if c.Template != nil {
			paths = append(paths, c.Template.paths()...)
		}
		if c.Push != nil {
			paths = append(paths, &c.Push.KeyFile, &c.Push.CAFile)
		}
	}
	for i := range f.Alertmanagers {
		paths = append(paths, f.Alertmanagers[i].paths()...)
	}
	paths = append(paths, f.outsidePaths()...)
	for _, p := range paths {
		if *p != "" && !filepath.IsAbs(*p) {
			*p = filepath.Join(folder, *p)
		}
	}
}

// checkFiles finds secrets and certificates that could not be used.
func (d *document) checkFiles(f *Facility) {
	d.checkSecret("broker", "password", f.Broker.Password())
	d.checkAuthorities("broker.ca_file", f.Broker.CAFile)
	if _, err := invite.ReadKey(f.Web.LinkKeyFile); f.Web.LinkKeyFile != "" {
		checkKey(d, "web.link_key_file", f.Web.LinkKeyFile, err, "no link that was sent is good any more then")
	}
	if f.Broker.CertificateFile != "" && f.Broker.KeyFile != "" {
		if _, err := tls.LoadX509KeyPair(f.Broker.CertificateFile, f.Broker.KeyFile); err != nil {
			d.Fault("broker.certificate_file", "the client certificate cannot be used: "+reason(err), "check both files and that rearguard may read them")
		}
	}
	for i, c := range f.Channels {
		path := fmt.Sprintf("channels[%d]", i)
		d.checkSecret(path, "secret", c.Secret())
		d.checkAuthorities(path+".ca_file", c.CAFile)
		if c.SMTP != nil {
			d.checkSecret(path+".smtp", "password", c.SMTP.Password())
			d.checkAuthorities(path+".smtp.ca_file", c.SMTP.CAFile)
		}
		if c.Template != nil {
			for j, h := range c.Template.Headers {
				d.checkSecret(fmt.Sprintf("%s.template.headers[%d]", path, j), "secret", h.Secret())
			}
		}
		if c.Push != nil {
			if _, err := push.ReadKey(c.Push.KeyFile); c.Push.KeyFile != "" { // else a fault already
				checkKey(d, path+".push.key_file", c.Push.KeyFile, err, "all phones must subscribe again then")
			}
			d.checkAuthorities(path+".push.ca_file", c.Push.CAFile)
		}
	}
	d.tryTemplates(f, true)
	d.checkAlertmanagers(f.Alertmanagers)
	d.checkOutside(f)
}

func (d *document) checkSecret(path, word string, s Secret) {
	if _, err := s.Read(); err != nil {
		if d.unseen != nil && (s.File == "" || errors.Is(err, os.ErrPermission)) {
			d.unseen(fmt.Sprintf("the %s of %s cannot be seen from here (%s); rearguard does not start without it", word, path, reason(err)))
			return
		}
		if s.File != "" {
			d.Fault(path+"."+word+"_file", fmt.Sprintf("the %s cannot be read: %s", word, reason(err)), "create the file and let rearguard's account read it")
		} else {
			d.Fault(path+"."+word+"_env", fmt.Sprintf("the %s cannot be read: %s", word, reason(err)), "set the variable in the environment of rearguard")
		}
	}
}

// checkKey says what is wrong with a key that could be read or not, and what
// another in its place would mean. One that is missing is made at the start, in
// a folder that must be there.
func checkKey(d *document, path, file string, err error, another string) {
	switch folder, missing := os.Stat(filepath.Dir(file)); {
	case err == nil:
	case errors.Is(err, os.ErrPermission) && d.unseen != nil:
		d.unseen(fmt.Sprintf("the key of %s cannot be seen from here (%s); rearguard does not start without it", path, reason(err)))
	case !errors.Is(err, os.ErrNotExist):
		d.Fault(path, reason(err), "put the right key back, or remove the file to have a new one made: "+another)
	case missing != nil || !folder.IsDir():
		d.Fault(path, fmt.Sprintf("there is no folder %s to make the key in", filepath.Dir(file)), "create the folder and let rearguard's account write to it")
	}
}

func (d *document) checkAuthorities(path, file string) {
	if file == "" {
		return
	}
	if _, err := Authorities(file); err != nil {
		d.Fault(path, reason(err), "name a file with certificates in PEM form that rearguard may read")
	}
}

// Authorities reads the certificates that vouch for a server; for no file it
// returns nil, which stands for those of the system.
func Authorities(file string) (*x509.CertPool, error) {
	if file == "" {
		return nil, nil
	}
	data, err := keyfile.Read(file)
	if err != nil {
		return nil, fmt.Errorf("read certificates: %w", err)
	}
	pool := x509.NewCertPool()
	if !pool.AppendCertsFromPEM(data) {
		return nil, fmt.Errorf("read certificates: %s holds none", file)
	}
	return pool, nil
}

// reason returns the text of an error without the prefix of Secret.Read.
func reason(err error) string {
	var path *os.PathError
	if errors.As(err, &path) {
		return path.Path + ": " + path.Err.Error()
	}
	text := err.Error()
	for _, doing := range []string{"read secret: ", "read the key of push messages: ", "read the key of links: "} {
		text = strings.TrimPrefix(text, doing)
	}
	return text
}
