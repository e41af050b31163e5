package post_test

import (
	"context"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/pem"
	"errors"
	"io"
	"math/big"
	"net"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/emersion/go-sasl"
	"github.com/emersion/go-smtp"

	"spindlebook/internal/post"
)

// One who gives certificates, whom this program trusts as a machine does (crypto/x509 reads
// SSL_CERT_FILE), and another whom it does not.
var trusted, stranger authority

type authority struct {
	key  *ecdsa.PrivateKey
	cert *x509.Certificate
}

func newAuthority() (authority, error) {
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		return authority{}, err
	}
	der, err := x509.CreateCertificate(rand.Reader, &x509.Certificate{SerialNumber: big.NewInt(1), Subject: pkix.Name{CommonName: "A test's authority"}, IsCA: true, BasicConstraintsValid: true,
		KeyUsage: x509.KeyUsageCertSign, NotBefore: time.Now().Add(-time.Hour), NotAfter: time.Now().Add(24 * time.Hour)}, &x509.Certificate{Subject: pkix.Name{CommonName: "A test's authority"}}, &key.PublicKey, key)
	if err != nil {
		return authority{}, err
	}
	cert, err := x509.ParseCertificate(der)
	return authority{key, cert}, err
}

// gives a certificate for a name.
func (a authority) gives(t testing.TB, name string) *tls.Certificate {
	t.Helper()
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	der, err := x509.CreateCertificate(rand.Reader, &x509.Certificate{SerialNumber: big.NewInt(2), DNSNames: []string{name}, KeyUsage: x509.KeyUsageDigitalSignature,
		ExtKeyUsage: []x509.ExtKeyUsage{x509.ExtKeyUsageServerAuth}, NotBefore: time.Now().Add(-time.Hour), NotAfter: time.Now().Add(24 * time.Hour)}, a.cert, &key.PublicKey, a.key)
	if err != nil {
		t.Fatal(err)
	}
	return &tls.Certificate{Certificate: [][]byte{der}, PrivateKey: key}
}

func TestMain(m *testing.M) {
	folder, err := os.MkdirTemp("", "spindlebook-trust-")
	if err == nil {
		trusted, err = newAuthority()
	}
	if err == nil {
		stranger, err = newAuthority()
	}
	file := filepath.Join(folder, "trusted.pem")
	if err == nil {
		err = os.WriteFile(file, pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: trusted.cert.Raw}), 0o600)
	}
	if err == nil {
		err = os.Setenv("SSL_CERT_FILE", file)
	}
	if err != nil {
		panic(err)
	}
	code := m.Run()
	_ = os.RemoveAll(folder)
	os.Exit(code)
}

// server is a mail server (github.com/emersion/go-smtp) that counts.
type server struct {
	address string
	mu      sync.Mutex
	greeted int
	letters []bool // each, whether it came by TLS
}

func newServer(t testing.TB, with *tls.Certificate) *server {
	t.Helper()
	s := &server{}
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	s.address = l.Addr().String()
	srv := smtp.NewServer(s)
	srv.Domain, srv.AllowInsecureAuth = "mail.example", with == nil
	if with != nil {
		srv.TLSConfig = &tls.Config{Certificates: []tls.Certificate{*with}}
	}
	ended := make(chan error, 1)
	go func() { ended <- srv.Serve(l) }()
	t.Cleanup(func() {
		_ = srv.Close()
		<-ended
	})
	return s
}

func (s *server) NewSession(c *smtp.Conn) (smtp.Session, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.greeted++
	return &session{s, c}, nil
}

type session struct {
	s    *server
	conn *smtp.Conn
}

func (c *session) AuthMechanisms() []string { return []string{sasl.Plain} }
func (c *session) Auth(string) (sasl.Server, error) {
	return sasl.NewPlainServer(func(_, name, password string) error {
		if name != "washer" || password != "p@ss word" {
			return errors.New("wrong")
		}
		return nil
	}), nil
}
func (c *session) Mail(string, *smtp.MailOptions) error { return nil }
func (c *session) Rcpt(string, *smtp.RcptOptions) error { return nil }
func (c *session) Data(in io.Reader) error {
	_, err := io.Copy(io.Discard, in)
	_, sealed := c.conn.TLSConnectionState()
	c.s.mu.Lock()
	defer c.s.mu.Unlock()
	c.s.letters = append(c.s.letters, sealed)
	return err
}
func (c *session) Reset()        {}
func (c *session) Logout() error { return nil }

// A mail server that is not this very machine gets a letter sealed, or none (RFC 3207).
func TestLettersLeaveTheMachineSealed(t *testing.T) {
	t.Parallel()
	const signedIn = "washer:p%40ss%20word@"
	for name, c := range map[string]struct {
		with *tls.Certificate
		user string
		says string // "" is a letter that arrives
	}{
		"without TLS":                   {nil, "", "STARTTLS"},
		"without TLS, with a password":  {nil, signedIn, "STARTTLS"},
		"with TLS":                      {trusted.gives(t, "mail.example"), "", ""},
		"with TLS and signed in":        {trusted.gives(t, "mail.example"), signedIn, ""},
		"with TLS and a wrong password": {trusted.gives(t, "mail.example"), "washer:wrong@", "AUTH"},
		"with another's certificate":    {trusted.gives(t, "post.example"), signedIn, "certificate"},
		"with a certificate of anybody": {stranger.gives(t, "mail.example"), signedIn, "certificate"},
	} {
		s := newServer(t, c.with)
		o, err := post.Open("smtp://"+c.user+"mail.example", "a@wash.example")
		if err != nil {
			t.Fatal(err)
		}
		o.DialAt(s.address)
		err = o.Send(context.Background(), post.Letter{ID: "1@x", To: "b@wash.example", Subject: "s", Text: "t", HTML: "h", Leave: "https://wash.example/account/letters", At: time.Unix(1_790_000_000, 0)})
		s.mu.Lock()
		greeted, letters := s.greeted > 0, s.letters
		s.mu.Unlock()
		if !greeted {
			t.Errorf("%s: the server was not even greeted: %v", name, err)
		}
		switch {
		case c.says == "" && (err != nil || len(letters) != 1 || !letters[0]):
			t.Errorf("%s: %v, by TLS %v", name, err, letters)
		case c.says != "" && (err == nil || !strings.Contains(err.Error(), c.says) || len(letters) != 0):
			t.Errorf("%s: %v, %d letters", name, err, len(letters))
		}
	}
}
