package transport

import (
	"crypto/tls"
	"crypto/x509"
	"fmt"

	"clearback/bridge/relay"
	"clearback/config/file"
)

// TLS holds the settings of a TLS client, version 1.2 or later.
type TLS struct {
	// CA is a PEM file with the only certificates that may sign the server's certificate. If it is empty, the system's
	// trusted certificates may.
	CA string
	// Certificate and Key are PEM files of the client certificate; set both or none.
	Certificate, Key string
	// ServerName is the name in the server's certificate, if it differs from the host.
	ServerName string
}

// Check returns what is wrong with the settings. secure means that the connection uses TLS. addressKey is the key of
// the address. scheme is the beginning of an address that uses TLS. Check reads no file.
func (t TLS) Check(secure bool, addressKey, scheme string) []relay.Fault {
	var f relay.Faults
	if (t.Certificate == "") != (t.Key == "") {
		f.Add("", "certificate and key belong together; add the other one")
	}
	if !secure && t != (TLS{Key: t.Key}) {
		f.Add(addressKey, "certificates need %s; write that, or remove them", scheme)
	}
	return f
}

// Config reads the files and returns the configuration for a connection to the host.
func (t TLS) Config(host string) (*tls.Config, error) {
	c := &tls.Config{MinVersion: tls.VersionTLS12, ServerName: host}
	if t.ServerName != "" {
		c.ServerName = t.ServerName
	}
	if t.CA != "" {
		pem, err := file.Read(t.CA)
		if err != nil {
			return nil, fmt.Errorf("ca: %w", err)
		}
		c.RootCAs = x509.NewCertPool()
		if !c.RootCAs.AppendCertsFromPEM(pem) {
			return nil, fmt.Errorf("ca: %s has no certificate; it must be a PEM file", t.CA)
		}
	}
	if t.Certificate != "" || t.Key != "" {
		pair, err := t.pair()
		if err != nil {
			return nil, fmt.Errorf("certificate and key: %w", err)
		}
		c.Certificates = []tls.Certificate{pair}
	}
	return c, nil
}

// pair reads the client certificate and its key.
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
