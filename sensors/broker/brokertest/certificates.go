package brokertest

import (
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/pem"
	"math/big"
	"net"
	"os"
	"path/filepath"
	"testing"
	"time"
)

// Certificates are the PEM files of a CA and of what it has signed.
type Certificates struct {
	// CAFile signs the others.
	CAFile string
	// ServerCert is for localhost and the loopback addresses.
	ServerCert, ServerKey string
	// ClientCert has the common name "rearguard".
	ClientCert, ClientKey string

	dir string
	ca  *x509.Certificate
	key *ecdsa.PrivateKey
}

// MakeCertificates makes a CA, a server and a client certificate in dir.
func MakeCertificates(tb testing.TB, dir string) *Certificates {
	tb.Helper()
	c := &Certificates{dir: dir}
	c.key = newKey(tb)
	template := &x509.Certificate{
		Subject: pkix.Name{CommonName: "test authority"}, IsCA: true, BasicConstraintsValid: true,
		KeyUsage: x509.KeyUsageCertSign | x509.KeyUsageCRLSign,
	}
	c.CAFile = filepath.Join(dir, "ca.crt")
	c.ca = c.sign(tb, template, template, c.key, c.CAFile)
	c.ServerCert, c.ServerKey = c.Issue(tb, "localhost", time.Hour)
	c.ClientCert, c.ClientKey = c.Issue(tb, "rearguard", time.Hour)
	return c
}

// Issue makes a certificate for name that is valid from an hour ago until
// valid from now, which may be negative. It returns the paths of the
// certificate and its key.
func (c *Certificates) Issue(tb testing.TB, name string, valid time.Duration) (certFile, keyFile string) {
	tb.Helper()
	key := newKey(tb)
	template := &x509.Certificate{
		Subject: pkix.Name{CommonName: name}, KeyUsage: x509.KeyUsageDigitalSignature,
		ExtKeyUsage: []x509.ExtKeyUsage{x509.ExtKeyUsageServerAuth, x509.ExtKeyUsageClientAuth},
		NotAfter:    wallTime().Add(valid),
	}
	if name == "localhost" {
		template.DNSNames = []string{name}
		template.IPAddresses = []net.IP{net.IPv4(127, 0, 0, 1), net.IPv6loopback}
	}
	certFile = filepath.Join(c.dir, name+".crt")
	keyFile = filepath.Join(c.dir, name+".key")
	c.sign(tb, template, c.ca, key, certFile)
	der, err := x509.MarshalPKCS8PrivateKey(key)
	if err != nil {
		tb.Fatal(err)
	}
	writePEM(tb, keyFile, "PRIVATE KEY", der)
	return certFile, keyFile
}

func (c *Certificates) sign(tb testing.TB, template, parent *x509.Certificate, key *ecdsa.PrivateKey, file string) *x509.Certificate {
	tb.Helper()
	serial, err := rand.Int(rand.Reader, big.NewInt(1<<62))
	if err != nil {
		tb.Fatal(err)
	}
	template.SerialNumber = serial
	template.NotBefore = wallTime().Add(-time.Hour)
	if template.NotAfter.IsZero() {
		template.NotAfter = wallTime().Add(time.Hour)
	}
	der, err := x509.CreateCertificate(rand.Reader, template, parent, &key.PublicKey, c.key)
	if err != nil {
		tb.Fatal(err)
	}
	writePEM(tb, file, "CERTIFICATE", der)
	certificate, err := x509.ParseCertificate(der)
	if err != nil {
		tb.Fatal(err)
	}
	return certificate
}

// wallTime is the clock that a TLS handshake checks certificates against.
func wallTime() time.Time {
	return time.Now() //nolint:forbidigo // a handshake knows no other clock
}

func newKey(tb testing.TB) *ecdsa.PrivateKey {
	tb.Helper()
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		tb.Fatal(err)
	}
	return key
}

func writePEM(tb testing.TB, file, kind string, der []byte) {
	tb.Helper()
	if err := os.WriteFile(file, pem.EncodeToMemory(&pem.Block{Type: kind, Bytes: der}), 0o600); err != nil {
		tb.Fatal(err)
	}
}
