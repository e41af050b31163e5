// Package posttest is a mail server for tests, and a reader of what it was given.
package posttest

import (
	"bytes"
	"crypto/tls"
	"errors"
	"io"
	"mime"
	"mime/multipart"
	"mime/quotedprintable"
	"net"
	"net/mail"
	"slices"
	"strings"
	"sync"
	"testing"

	"github.com/emersion/go-sasl"
	"github.com/emersion/go-smtp"
)

// SignIn is the name and the password that the server knows, as they stand in an address.
const SignIn = "washer:p%40ss%20word@"

// Server is a mail server (github.com/emersion/go-smtp) that keeps what it is given.
type Server struct {
	Address string
	mu      sync.Mutex
	greeted int
	letters []Received
	refuses bool
}

// Received is a letter as it came, to one of those to whom it went.
type Received struct {
	From, To string
	Body     []byte
	Sealed   bool // it came by TLS
}

// New starts a server that calls itself by a domain. It takes letters by TLS where it is given
// a certificate, and else lets people sign in without.
func New(t testing.TB, domain string, with *tls.Certificate) *Server {
	t.Helper()
	s := &Server{}
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	s.Address = l.Addr().String()
	srv := smtp.NewServer(smtp.BackendFunc(func(c *smtp.Conn) (smtp.Session, error) {
		s.mu.Lock()
		defer s.mu.Unlock()
		s.greeted++
		return &session{s: s, conn: c}, nil
	}))
	srv.Domain, srv.AllowInsecureAuth = domain, with == nil
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

// Greeted tells how many have called.
func (s *Server) Greeted() int {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.greeted
}

// Letters gives what has come, in the order in which it came.
func (s *Server) Letters() []Received {
	s.mu.Lock()
	defer s.mu.Unlock()
	return slices.Clone(s.letters)
}

// Refuse has the server put letters off, or take them again.
func (s *Server) Refuse(all bool) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.refuses = all
}

type session struct {
	s    *Server
	conn *smtp.Conn
	from string
	to   []string
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

func (c *session) Mail(from string, _ *smtp.MailOptions) error {
	c.s.mu.Lock()
	defer c.s.mu.Unlock()
	if c.s.refuses {
		return &smtp.SMTPError{Code: 451, Message: "later"}
	}
	c.from = from
	return nil
}

func (c *session) Rcpt(to string, _ *smtp.RcptOptions) error {
	c.to = append(c.to, to)
	return nil
}

func (c *session) Data(in io.Reader) error {
	body, err := io.ReadAll(in)
	if err != nil {
		return err
	}
	_, sealed := c.conn.TLSConnectionState()
	c.s.mu.Lock()
	defer c.s.mu.Unlock()
	for _, to := range c.to {
		c.s.letters = append(c.s.letters, Received{c.from, to, body, sealed})
	}
	return nil
}

func (c *session) Reset()        { c.from, c.to = "", nil }
func (c *session) Logout() error { return nil }

// Letter is what Go's own readers of mail make of one.
type Letter struct {
	Head       mail.Header
	Subject    string
	Text, Page string
}

// Read reads a letter that says the same twice, plain and as a page.
func Read(t testing.TB, r Received) Letter {
	t.Helper()
	m, err := mail.ReadMessage(bytes.NewReader(r.Body))
	if err != nil {
		t.Fatal(err)
	}
	l := Letter{Head: m.Header}
	if l.Subject, err = new(mime.WordDecoder).DecodeHeader(m.Header.Get("Subject")); err != nil {
		t.Fatal(err)
	}
	kind, params, err := mime.ParseMediaType(m.Header.Get("Content-Type"))
	if err != nil || kind != "multipart/alternative" {
		t.Fatalf("%s %v", kind, err)
	}
	parts := multipart.NewReader(m.Body, params["boundary"])
	for {
		p, err := parts.NextRawPart()
		if errors.Is(err, io.EOF) {
			return l
		}
		if err != nil {
			t.Fatal(err)
		}
		var in io.Reader = p
		if p.Header.Get("Content-Transfer-Encoding") == "quoted-printable" {
			in = quotedprintable.NewReader(p)
		}
		b, err := io.ReadAll(in)
		if err != nil {
			t.Fatal(err)
		}
		said := strings.ReplaceAll(string(b), "\r\n", "\n")
		if strings.HasPrefix(p.Header.Get("Content-Type"), "text/html") {
			l.Page = said
		} else {
			l.Text = said
		}
	}
}
