package main

import (
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/pem"
	"fmt"
	"io"
	"math/big"
	"net"
	"net/http"
	"net/url"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"nightsoak/acquire/bench"
)

// issue writes a certificate and its key into dir, signed by parent or by itself.
func issue(t *testing.T, dir, name string, parent *tls.Certificate) *tls.Certificate {
	t.Helper()
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	cert := &x509.Certificate{SerialNumber: big.NewInt(time.Now().UnixNano()), Subject: pkix.Name{CommonName: name}, NotBefore: time.Now().Add(-time.Hour), NotAfter: time.Now().Add(time.Hour),
		IPAddresses: []net.IP{net.IPv4(127, 0, 0, 1)}, BasicConstraintsValid: true, IsCA: parent == nil, KeyUsage: x509.KeyUsageDigitalSignature | x509.KeyUsageCertSign,
		ExtKeyUsage: []x509.ExtKeyUsage{x509.ExtKeyUsageServerAuth, x509.ExtKeyUsageClientAuth}}
	by, signer := cert, any(key)
	if parent != nil {
		by, signer = parent.Leaf, parent.PrivateKey
	}
	der, err := x509.CreateCertificate(rand.Reader, cert, by, &key.PublicKey, signer)
	if err != nil {
		t.Fatal(err)
	}
	secret, err := x509.MarshalPKCS8PrivateKey(key)
	if err != nil {
		t.Fatal(err)
	}
	c, k := pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: der}), pem.EncodeToMemory(&pem.Block{Type: "PRIVATE KEY", Bytes: secret})
	for file, text := range map[string][]byte{name + ".crt": c, name + ".key": k} {
		if err := os.WriteFile(filepath.Join(dir, file), text, 0o600); err != nil {
			t.Fatal(err)
		}
	}
	pair, err := tls.X509KeyPair(c, k)
	if err != nil {
		t.Fatal(err)
	}
	return &pair
}

// write puts a file into dir and is its path.
func write(t *testing.T, dir, name, text string) string {
	t.Helper()
	path := filepath.Join(dir, name)
	if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	return path
}

// TestWebConfig: the real daemon over TLS, with and without a client's
// certificate, and with a password that is not taken for a token.
func TestWebConfig(t *testing.T) {
	dir := t.TempDir()
	ca := issue(t, dir, "ca", nil)
	issue(t, dir, "server", ca)
	client := issue(t, dir, "client", ca)
	roots := x509.NewCertPool()
	roots.AddCert(ca.Leaf)
	const served = "tls_server_config:\n  cert_file: server.crt\n  key_file: server.key\n"
	for _, c := range []struct {
		name, config string
		certificate  bool
		scheme       string
		want         int // of POST /api/note straight from this machine; 0: no connection
	}{
		{"TLS", served, false, "https", 200},
		{"a certificate is asked for and not given", served + "  client_auth_type: RequireAndVerifyClientCert\n  client_ca_file: ca.crt\n", false, "https", 0},
		{"a certificate is asked for and given", served + "  client_auth_type: RequireAndVerifyClientCert\n  client_ca_file: ca.crt\n", true, "https", 200},
		{"nothing of it", "{}\n", false, "http", 200},
	} {
		t.Run(c.name, func(t *testing.T) {
			s := start(t, "serve", "--bench", write(t, dir, "bench.toml", doorBench(dir, write(t, dir, "web.yml", c.config))))
			u, err := url.Parse(s.url)
			if err != nil || u.Scheme != c.scheme {
				t.Fatalf("the panel is at %s, %v", s.url, err)
			}
			setup := &tls.Config{RootCAs: roots}
			if c.certificate {
				setup.Certificates = []tls.Certificate{*client}
			}
			h := http.Client{Transport: &http.Transport{TLSClientConfig: setup}}
			defer h.CloseIdleConnections()
			r, err := http.NewRequestWithContext(t.Context(), "POST", s.url+"login", strings.NewReader(`{"token":"s3cret"}`))
			if err != nil {
				t.Fatal(err)
			}
			resp, err := h.Do(r)
			if c.want == 0 {
				if err == nil {
					t.Errorf("a stranger is let in: %s", resp.Status)
				}
			} else if err != nil {
				t.Fatal(err)
			} else {
				text, err := io.ReadAll(resp.Body)
				resp.Body.Close()
				cookie := resp.Header.Get("Set-Cookie")
				if err != nil || resp.StatusCode != c.want || strings.Contains(cookie, "Secure") != (c.scheme == "https") || !strings.Contains(cookie, "SameSite=Strict") || !strings.Contains(cookie, "HttpOnly") {
					t.Errorf("%s %s, cookie %q, %v", resp.Status, text, cookie, err)
				}
			}
			s.stop(t)
		})
	}
}

// TestBasicPassword: the password of the web configuration opens the door and no
// more: it is not taken for a token, and who is let in by it may still not act
// without one.
func TestBasicPassword(t *testing.T) {
	dir := t.TempDir()
	// "open", hashed by bcrypt at cost 4, which is quick.
	web := write(t, dir, "web.yml", "basic_auth_users:\n  bench: '$2a$04$8hHbA74cUGZU9w7mAqEzsekTRFn3DwhSk81OL3BGQq8He8MZOY/Ju'\n")
	s := start(t, "serve", "--bench", write(t, dir, "bench.toml", doorBench(dir, web)))
	for _, c := range []struct {
		password, forwarded, path string
		want                      int
	}{
		{"", "", "api/state", 401},
		{"guess", "", "api/state", 401},
		{"open", "", "api/state", 200},
		{"open", "192.0.2.7", "login", 200},
		{"open", "192.0.2.7", "api/end", 401},
		{"open", "", "api/end", 409}, // it may, but there is nothing to end
	} {
		method := "GET"
		if c.path != "api/state" {
			method = "POST"
		}
		r, err := http.NewRequestWithContext(t.Context(), method, s.url+c.path, strings.NewReader(map[string]string{"login": `{"token":"s3cret"}`}[c.path]))
		if err != nil {
			t.Fatal(err)
		}
		if c.password != "" {
			r.SetBasicAuth("bench", c.password)
		}
		if c.forwarded != "" {
			r.Header.Set("X-Forwarded-For", c.forwarded)
		}
		resp, err := http.DefaultClient.Do(r)
		if err != nil {
			t.Fatal(err)
		}
		text, err := io.ReadAll(resp.Body)
		resp.Body.Close()
		if err != nil || resp.StatusCode != c.want {
			t.Errorf("%+v: %s %s %v", c, resp.Status, text, err)
		}
	}
	s.stop(t)
}

// TestDoorRefuses: files that cannot hold are said at once, by name.
func TestDoorRefuses(t *testing.T) {
	dir := t.TempDir()
	for want, p := range map[string]bench.Panel{
		"token_file: ":                       {TokenFile: filepath.Join(dir, "none")},
		"is empty: write the secret into it": {TokenFile: write(t, dir, "empty", " \n")},
		"web_config " + dir + "/none.yml: ":  {WebConfig: filepath.Join(dir, "none.yml")},
		"field tls_server not found":         {WebConfig: write(t, dir, "wrong.yml", "tls_server: {}\n")},
		"no such file":                       {WebConfig: write(t, dir, "lost.yml", "tls_server_config:\n  cert_file: a\n  key_file: b\n")},
	} {
		if _, err := newDoor(&bench.Bench{Panel: p}); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%+v: %v, want %q", p, err, want)
		}
	}
	d, err := newDoor(&bench.Bench{Panel: bench.Panel{Link: "https://bench.example/north/", Hosts: []string{"other.example"}}})
	if err != nil || !slices.Contains(d.options.Hosts, "bench.example") || !slices.Contains(d.options.Hosts, "other.example") || !slices.Equal(d.options.Origins, []string{"https://bench.example"}) {
		t.Errorf("%+v, %v", d, err)
	}
}

// doorBench is a bench file with one meter that is not there, a token and a web configuration.
func doorBench(dir, web string) string {
	token := filepath.Join(dir, "token")
	if err := os.WriteFile(token, []byte("s3cret\n"), 0o600); err != nil {
		panic(err)
	}
	return fmt.Sprintf("name = \"north\"\ndata_dir = %q\n[panel]\nlisten = \"127.0.0.1:0\"\ntoken_file = %q\nweb_config = %q\n[[meter]]\nname = \"k1\"\nport = \"tcp://127.0.0.1:1\"\nformat = \"fs9721\"\n", filepath.Join(dir, "data"), token, web)
}
