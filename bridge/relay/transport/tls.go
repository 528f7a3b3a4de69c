package transport

import (
	"crypto/tls"
	"crypto/x509"
	"errors"
	"fmt"

	"clearback/config/file"
)

// TLS are the settings of a client's side of TLS, 1.2 or later.
type TLS struct {
	// CA is a PEM file with the only certificates that the other side's may be signed by; empty: those that the system
	// trusts.
	CA string
	// Certificate and Key are PEM files of the certificate that is shown to the other side; both or none.
	Certificate, Key string
	// ServerName is the name in the other side's certificate, if that is not the host's.
	ServerName string
}

// Any reports whether something is set.
func (t TLS) Any() bool { return t != TLS{} }

// Config reads the files.
func (t TLS) Config(host string) (*tls.Config, error) {
	c := &tls.Config{MinVersion: tls.VersionTLS12, ServerName: host}
	if t.ServerName != "" {
		c.ServerName = t.ServerName
	}
	if (t.Certificate == "") != (t.Key == "") {
		return nil, errors.New("certificate and key belong together; give both or none")
	}
	if t.CA != "" {
		pem, err := file.Read(t.CA)
		if err != nil {
			return nil, fmt.Errorf("ca: %w", err)
		}
		c.RootCAs = x509.NewCertPool()
		if !c.RootCAs.AppendCertsFromPEM(pem) {
			return nil, fmt.Errorf("ca: %s has no certificate; it is to be a PEM file", t.CA)
		}
	}
	if t.Certificate != "" {
		pair, err := t.pair()
		if err != nil {
			return nil, fmt.Errorf("certificate and key: %w", err)
		}
		c.Certificates = []tls.Certificate{pair}
	}
	return c, nil
}

// pair reads the certificate that is shown to the other side, and its key.
func (t TLS) pair() (tls.Certificate, error) {
	certificate, err := file.Read(t.Certificate)
	if err != nil {
		return tls.Certificate{}, err
	}
	key, err := file.Read(t.Key)
	if err != nil {
		return tls.Certificate{}, err
	}
	return tls.X509KeyPair(certificate, key)
}
