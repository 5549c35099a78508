package server

import (
	"context"
	"crypto/tls"
	"crypto/x509"
	"encoding/pem"
	"fmt"
	"io"
	"net"
	"net/http"
	"os"
)

// Probe asks a service on this machine, which listens on an address as Config
// has it, for a path, and fails unless it answers that all is well. With a
// certificate it asks over TLS and takes that certificate and no other.
func Probe(ctx context.Context, listen, certFile, path string) error {
	host, port, err := net.SplitHostPort(listen)
	if err != nil {
		return fmt.Errorf("--listen (DRAWGEAR_LISTEN): %w", err)
	}
	if ip := net.ParseIP(host); host == "" || ip != nil && ip.IsUnspecified() {
		host = "localhost" // who listens on every address listens there
	}
	transport := &http.Transport{DisableKeepAlives: true}
	url := "http://" + net.JoinHostPort(host, port) + path
	if certFile != "" {
		url = "https://" + net.JoinHostPort(host, port) + path
		if transport.TLSClientConfig, err = trustOnly(certFile); err != nil {
			return fmt.Errorf("--tls-cert (DRAWGEAR_TLS_CERT): %w", err)
		}
	}
	req, err := http.NewRequestWithContext(ctx, http.MethodGet, url, nil)
	if err != nil {
		return fmt.Errorf("ask %s: %w", url, err)
	}
	res, err := (&http.Client{Transport: transport}).Do(req)
	if err != nil {
		return err // which names the URL
	}
	defer res.Body.Close()
	if res.StatusCode != http.StatusOK {
		text, _ := io.ReadAll(io.LimitReader(res.Body, 1<<10)) // the status says enough if there is no more
		return fmt.Errorf("%s answers %s: %s", url, res.Status, text)
	}
	return nil
}

// trustOnly takes the certificates of a file for roots, and asks for the first
// by a name that it has.
func trustOnly(file string) (*tls.Config, error) {
	text, err := os.ReadFile(file)
	if err != nil {
		return nil, err
	}
	block, _ := pem.Decode(text)
	if block == nil {
		return nil, fmt.Errorf("%s holds no PEM", file)
	}
	leaf, err := x509.ParseCertificate(block.Bytes)
	if err != nil {
		return nil, fmt.Errorf("read %s: %w", file, err)
	}
	roots := x509.NewCertPool()
	roots.AppendCertsFromPEM(text)
	c := &tls.Config{MinVersion: tls.VersionTLS12, RootCAs: roots}
	switch {
	case len(leaf.DNSNames) > 0:
		c.ServerName = leaf.DNSNames[0]
	case len(leaf.IPAddresses) > 0:
		c.ServerName = leaf.IPAddresses[0].String()
	}
	return c, nil
}
