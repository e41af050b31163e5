package door

import (
	"context"
	"net/http"
	"strings"

	"github.com/gin-gonic/gin"
	"github.com/google/uuid"

	"spindlebook/internal/access"
	"spindlebook/internal/fault"
)

// What the door finds out stands in the request's own context, which handlers
// pass on. The gin context is pooled and given to the next request, while the
// database may still look at the context that it was handed.
type (
	actorKey   struct{}
	sessionKey struct{}
	visitKey   struct{}
)

// note keeps a value in the context of a request.
func note(c *gin.Context, key, value any) {
	c.Request = c.Request.WithContext(context.WithValue(c.Request.Context(), key, value))
}

// Identify finds out who asks, by token or by session cookie. Somebody who
// shows neither is nobody, which is no fault yet; a token or cookie that is no
// longer good is one only where it was a token: a browser is asked to sign in.
func (d *Door) Identify(c *gin.Context) {
	note(c, visitKey{}, c)
	if h := c.GetHeader("Authorization"); h != "" {
		scheme, token, _ := strings.Cut(h, " ")
		if !strings.EqualFold(scheme, "Bearer") || strings.TrimSpace(token) == "" {
			d.Fail(c, &fault.Error{Kind: fault.NoIdentity, Field: "Authorization", Msg: "must be Bearer and a token"})
			return
		}
		who, err := access.ByToken(c.Request.Context(), d.db, d.now(), strings.TrimSpace(token))
		if err != nil {
			d.Fail(c, err)
			return
		}
		note(c, actorKey{}, who)
		return
	}
	cookie, err := c.Cookie(d.sessions.Cookie.Name)
	if err != nil {
		cookie = ""
	}
	ctx, err := d.sessions.Load(c.Request.Context(), cookie)
	if err != nil {
		d.Fail(c, unreachable(err))
		return
	}
	note(c, sessionKey{}, ctx)
	id, err := uuid.Parse(d.sessions.GetString(ctx, "actor"))
	if err != nil {
		return // nobody yet
	}
	who, epoch, err := access.Load(c.Request.Context(), d.db, id)
	switch {
	case fault.KindOf(err) == fault.NoIdentity, err == nil && epoch != d.sessions.GetInt(ctx, "epoch"):
		return // shut out, or an older password: nobody
	case err != nil:
		d.Fail(c, err)
		return
	}
	note(c, actorKey{}, who)
}

// unreachable is the fault of a session store that does not answer: it stands
// in the same database as everything else.
func unreachable(err error) error {
	return &fault.Error{Kind: fault.Unavailable, Msg: "the database is not available at the moment", Err: err}
}

// Who gives the actor of a request; false where nobody is signed in.
func Who(ctx context.Context) (access.Actor, bool) {
	who, ok := ctx.Value(actorKey{}).(access.Actor)
	return who, ok
}

// Visit gives the request and answer behind the context of an API handler, for
// what only they hold: a cookie, an address. It is good until the answer.
func Visit(ctx context.Context) *gin.Context {
	c, _ := ctx.Value(visitKey{}).(*gin.Context)
	return c
}

// Must is Who where the request cannot go on without somebody.
func Must(ctx context.Context) (access.Actor, error) {
	who, ok := Who(ctx)
	if !ok {
		return who, &fault.Error{Kind: fault.NoIdentity, Msg: "sign in, or send a token"}
	}
	return who, nil
}

func actorName(c *gin.Context) string {
	if who, ok := Who(c.Request.Context()); ok {
		return who.ID.String()
	}
	return ""
}

// Enter signs a browser in as the actor, under a new session token.
func (d *Door) Enter(c *gin.Context, actor uuid.UUID, epoch int) error {
	ctx, ok := c.Request.Context().Value(sessionKey{}).(context.Context)
	if !ok {
		var err error
		if ctx, err = d.sessions.Load(c.Request.Context(), ""); err != nil {
			return unreachable(err)
		}
	}
	if err := d.sessions.RenewToken(ctx); err != nil {
		return unreachable(err)
	}
	d.sessions.Put(ctx, "actor", actor.String())
	d.sessions.Put(ctx, "epoch", epoch)
	return d.keep(c, ctx)
}

func (d *Door) keep(c *gin.Context, ctx context.Context) error {
	token, expiry, err := d.sessions.Commit(ctx)
	if err != nil {
		return unreachable(err)
	}
	d.sessions.WriteSessionCookie(ctx, c.Writer, token, expiry)
	return nil
}

// Leave signs the browser out.
func (d *Door) Leave(c *gin.Context) error {
	if ctx, ok := c.Request.Context().Value(sessionKey{}).(context.Context); ok {
		if err := d.sessions.Destroy(ctx); err != nil {
			return unreachable(err)
		}
	}
	http.SetCookie(c.Writer, &http.Cookie{Name: d.sessions.Cookie.Name, Path: "/", MaxAge: -1, HttpOnly: true,
		Secure: d.sessions.Cookie.Secure, SameSite: d.sessions.Cookie.SameSite})
	return nil
}
