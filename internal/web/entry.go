package web

import (
	"errors"
	"net/http"
	"strconv"
	"time"

	"github.com/gin-gonic/gin"

	"spindlebook/internal/access"
	"spindlebook/internal/diary"
	"spindlebook/internal/door"
	"spindlebook/internal/fault"
)

// entry is the page of whoever is not in yet: signing in, setting up, choosing
// a password.
type entry struct {
	*sheet
	Action   string
	Next     string
	Visitors []Visitor
}

func signInSheet() *sheet {
	return &sheet{Title: "Sign in", Verb: "Sign in", Fields: []*field{
		{Name: "login", Label: "Sign-in name", Auto: "username", Most: 254},
		{Name: "password", Label: "Password", Kind: "password", Auto: "current-password", Most: 256},
	}}
}

func (p *pages) showSignIn(v visit, status int, s *sheet, next string) error {
	e := entry{sheet: s, Action: "/sign-in", Next: next}
	if p.o.Visitors != nil {
		var err error
		if e.Visitors, err = p.o.Visitors(v.ctx); err != nil {
			return err
		}
	}
	return p.show(v, status, "entry", s.Title, e)
}

func (p *pages) signInPage(v visit) error {
	next := localPath(v.c.Query("next"))
	if _, ok := door.Who(v.c.Request.Context()); ok {
		return goTo(v, next)
	}
	return p.showSignIn(v, http.StatusOK, signInSheet(), next)
}

func (p *pages) signIn(v visit) error {
	next := localPath(v.c.PostForm("next"))
	s := signInSheet()
	if err := s.readPlain(v.c); err != nil {
		return err
	}
	if len(s.Mend) == 0 {
		id, epoch, err := access.SignIn(v.ctx, p.db, v.now, s.get("login"), s.get("password"), v.c.ClientIP())
		if err == nil {
			if err := p.door.Enter(v.c, id, epoch); err != nil {
				return err
			}
			return goTo(v, next)
		}
		f, ok := errors.AsType[*fault.Error](err)
		if !ok {
			return err
		}
		switch f.Kind {
		case fault.NoIdentity:
			s.Mend = append(s.Mend, mend{Name: s.field("login").ID(), Text: sentence(f.Msg)})
		case fault.Throttled:
			wait := int(f.RetryAfter.Minutes()) + 1
			v.c.Header("Retry-After", strconv.Itoa(int(f.RetryAfter.Seconds())+1))
			s.Mend = append(s.Mend, mend{Text: sentence(f.Msg) + " The next try is open in " + plural(wait, "minute", "minutes") + "."})
			s.status = http.StatusTooManyRequests
		default:
			return err
		}
	}
	status := http.StatusUnprocessableEntity
	if s.status != 0 {
		status = s.status
	}
	return p.showSignIn(v, status, s, next)
}

// readPlain is read for forms of people who are not in: sending one twice does
// no harm, so they carry no key.
func (s *sheet) readPlain(c *gin.Context) error {
	if err := c.Request.ParseForm(); err == nil && c.Request.PostForm.Get("key") == "" {
		c.Request.PostForm.Set("key", "00000000-0000-0000-0000-000000000000")
	}
	return s.read(c)
}

func (p *pages) signOut(v visit) error {
	if err := p.door.Leave(v.c); err != nil {
		return err
	}
	return goTo(v, "/sign-in")
}

// linkSheetFor gives the form that a link opens.
func linkSheetFor(l access.Link) *sheet {
	password := &field{Name: "password", Label: "Password", Kind: "password", Auto: "new-password", Most: 256,
		Hint: "At least 12 characters. Four plain words make a good one."}
	if l.Purpose == access.FirstPerson {
		return &sheet{Title: "Set up spindlebook", Verb: "Set up",
			Lead: "You are the first person here. You will be a service manager and can invite everybody else.",
			Fields: []*field{
				{Name: "name", Label: "Your name", Auto: "name"},
				{Name: "login", Label: "Sign-in name", Auto: "username", Most: 254, Hint: "Such as your e-mail address; small letters, no spaces."},
				password,
			}}
	}
	return &sheet{Title: "Choose a password", Over: l.ActorName, Verb: "Choose this password",
		Lead: "You sign in with the name " + l.Login + " and the password that you choose here.", Fields: []*field{password}}
}

func (p *pages) enterPage(v visit) error {
	v.c.Header("Referrer-Policy", "no-referrer") // the address is a secret
	l, err := access.OpenLink(v.ctx, p.db, v.now, v.c.Param("secret"))
	if err != nil {
		return err
	}
	if l.Purpose == access.Demo {
		_, epoch, err := access.Load(v.ctx, p.db, *l.ActorID)
		if err != nil {
			return err
		}
		if err := p.door.Enter(v.c, *l.ActorID, epoch); err != nil {
			return err
		}
		return goTo(v, "/")
	}
	s := linkSheetFor(l)
	return p.show(v, http.StatusOK, "entry", s.Title, entry{sheet: s, Action: v.c.Request.URL.Path})
}

func (p *pages) enter(v visit) error {
	v.c.Header("Referrer-Policy", "no-referrer")
	secret := v.c.Param("secret")
	l, err := access.OpenLink(v.ctx, p.db, v.now, secret)
	if err != nil {
		return err
	}
	if l.Purpose == access.Demo {
		return goTo(v, v.c.Request.URL.Path)
	}
	s := linkSheetFor(l)
	if err := s.readPlain(v.c); err != nil {
		return err
	}
	if len(s.Mend) == 0 {
		id := l.ActorID
		if l.Purpose == access.FirstPerson {
			made, setUp := access.SetUp(v.ctx, p.db, v.now, secret, s.get("name"), s.get("login"), s.get("password"))
			id, err = &made, setUp
		} else {
			_, err = access.UsePasswordLink(v.ctx, p.db, v.now, secret, s.get("password"))
		}
		if err == nil {
			_, epoch, err := access.Load(v.ctx, p.db, *id)
			if err != nil {
				return err
			}
			if err := p.door.Enter(v.c, *id, epoch); err != nil {
				return err
			}
			return goTo(v, "/")
		}
		if !s.blame(err) {
			return err
		}
	}
	status := http.StatusUnprocessableEntity
	if s.status != 0 {
		status = s.status
	}
	return p.show(v, status, "entry", s.Title, entry{sheet: s, Action: v.c.Request.URL.Path})
}

// account is the page of one's own.
type account struct {
	Who    access.Actor
	Role   string
	May    []access.Meaning
	Person bool
	Scope  string
	Staff  bool // of the distributor
	Clock  clock
	Wants  access.Preference
	Units  string // in which they read, in words
	Mail   bool   // letters are sent at all
	// Addresses for calendar programs, and one that was made in this very request.
	Calendars []diary.Calendar
	Secret    *secret
}

func (p *pages) account(v visit) error { return p.showAccount(v, nil) }

func (p *pages) showAccount(v visit, told *secret) error {
	all, err := access.Meanings(v.ctx, p.db, v.who)
	if err != nil {
		return err
	}
	a := account{Who: v.who, Role: roleWords(v.who.Roles), Person: v.who.Kind == "person", Scope: "every site", Staff: v.may(access.SeeInternal), Clock: clock{v.now, time.UTC}, Secret: told}
	a.Mail = p.o.Mail
	if a.Wants, err = access.PreferenceOf(v.ctx, p.db, v.who); err != nil {
		return err
	}
	a.Units = systemWords[a.Wants.Units]
	if a.Calendars, err = diary.Own(v.ctx, p.db, v.who); err != nil {
		return err
	}
	if !v.who.Everywhere {
		a.Scope = plural(len(v.who.Sites), "site", "sites")
	}
	for _, m := range all {
		if v.may(m.Code) {
			a.May = append(a.May, m)
		}
	}
	return p.ok(v, "account", "Your account", a)
}

func (p *pages) passwordSheet(v visit) (*sheet, error) {
	if v.who.Kind != "person" {
		return nil, &fault.Error{Kind: fault.Forbidden, Msg: "programs have tokens and no password"}
	}
	return &sheet{Title: "Change your password", Verb: "Change the password", Cancel: "/account",
		Lead:   "Every other browser in which you are signed in will be signed out.",
		Crumbs: []crumb{{"/account", "Your account"}},
		Fields: []*field{
			{Name: "old_password", Label: "Present password", Kind: "password", Auto: "current-password", Most: 256},
			{Name: "new_password", Label: "New password", Kind: "password", Auto: "new-password", Most: 256, Hint: "At least 12 characters. Four plain words make a good one."},
		}}, nil
}

func (p *pages) changePassword(v visit, s *sheet) (string, error) {
	old, chosen := s.get("old_password"), s.get("new_password")
	epoch, err := access.ChangePassword(v.ctx, p.db, v.who, v.now, old, chosen)
	if fault.KindOf(err) == fault.NotFound {
		err = &fault.Error{Kind: fault.Conflict, Msg: "you came in by a link and have no password yet; ask your service manager for a link to choose one"}
	}
	if err != nil {
		return "", err
	}
	return "/account", p.door.Enter(v.c, v.who.ID, epoch)
}
