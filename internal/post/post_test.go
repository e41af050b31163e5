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
	"math/big"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"spindlebook/internal/post"
	"spindlebook/internal/post/posttest"
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

// A mail server that is not this very machine gets a letter sealed, or none (RFC 3207).
func TestLettersLeaveTheMachineSealed(t *testing.T) {
	t.Parallel()
	const signedIn = posttest.SignIn
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
		s := posttest.New(t, "mail.example", c.with)
		o, err := post.Open("smtp://"+c.user+"mail.example", "a@wash.example")
		if err != nil {
			t.Fatal(err)
		}
		o.DialAt(s.Address)
		err = o.Send(context.Background(), post.Letter{ID: "1@x", To: "b@wash.example", Subject: "s", Text: "t", HTML: "h", Leave: "https://wash.example/account/letters", At: time.Unix(1_790_000_000, 0)})
		letters := s.Letters()
		if s.Greeted() == 0 {
			t.Errorf("%s: the server was not even greeted: %v", name, err)
		}
		switch {
		case c.says == "" && (err != nil || len(letters) != 1 || !letters[0].Sealed):
			t.Errorf("%s: %v, %d letters, by TLS: %v", name, err, len(letters), len(letters) > 0 && letters[0].Sealed)
		case c.says != "" && (err == nil || !strings.Contains(err.Error(), c.says) || len(letters) != 0):
			t.Errorf("%s: %v, %d letters", name, err, len(letters))
		}
	}
}

func TestWhereTheMailServerIs(t *testing.T) {
	t.Parallel()
	for _, bad := range []string{"", "mail.example", "http://mail.example", "smtp://", "smtp://mail.example/path", "smtp://mail.example:0", "smtp://mail.example?x=1", "smtp://mail.example:99999"} {
		if _, err := post.Open(bad, "a@wash.example"); err == nil {
			t.Errorf("%q is taken", bad)
		}
	}
	for _, good := range []string{"smtp://mail.example", "smtps://u:p@mail.example:465", "smtp://localhost:25"} {
		if _, err := post.Open(good, "spindlebook <a@wash.example>"); err != nil {
			t.Errorf("%q: %v", good, err)
		}
	}
	if _, err := post.Open("smtp://mail.example", "nobody"); err == nil {
		t.Error("a sender without an address is taken")
	}
}

// Whatever somebody is called, the letter goes to them and to nobody else (RFC 5322, 3.4).
func TestNamesAreNotAddresses(t *testing.T) {
	t.Parallel()
	for _, name := range []string{"Marta Vance", `Vance, Marta`, `Marta "Mo" Vance`, `a\b`, "Märta <x@y.example>", "x@y.example", "", "Zoë, \"Z\"; (night)"} {
		s := posttest.New(t, "localhost", nil)
		o, err := post.Open("smtp://"+s.Address, "spindlebook <spindlebook@wash.example>")
		if err != nil {
			t.Fatal(err)
		}
		if err := o.Send(context.Background(), post.Letter{ID: "1@x", Name: name, To: "marta@wash.example", Subject: "s", Text: "t", HTML: "h", Leave: "https://wash.example/account/letters", At: time.Unix(1_790_000_000, 0)}); err != nil {
			t.Errorf("%q: %v", name, err)
			continue
		}
		all := s.Letters()
		if len(all) != 1 || all[0].To != "marta@wash.example" || all[0].From != "spindlebook@wash.example" {
			t.Errorf("%q: it went as %+v", name, all)
			continue
		}
		to, err := posttest.Read(t, all[0]).Head.AddressList("To")
		if err != nil || len(to) != 1 || to[0].Name != name || to[0].Address != "marta@wash.example" {
			t.Errorf("%q is told as %v, %v", name, to, err)
		}
	}
}
