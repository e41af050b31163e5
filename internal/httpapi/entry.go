package httpapi

import (
	"context"

	"gorm.io/gorm"
	"time"

	"spindlebook/internal/access"
	"spindlebook/internal/door"
	"spindlebook/internal/fault"
	"spindlebook/internal/httpapi/gen"
)

// GetMe says who is asking.
func (s *Server) GetMe(ctx context.Context, _ gen.GetMeRequestObject) (gen.GetMeResponseObject, error) {
	who, err := door.Must(ctx)
	return gen.GetMe200JSONResponse(meOut(who)), err
}

// SignIn signs a browser in.
func (s *Server) SignIn(ctx context.Context, r gen.SignInRequestObject) (gen.SignInResponseObject, error) {
	c := door.Visit(ctx)
	id, epoch, err := access.SignIn(ctx, s.db, s.now(), r.Body.Login, r.Body.Password, c.ClientIP())
	if err != nil {
		return nil, err
	}
	if err := s.door.Enter(c, id, epoch); err != nil {
		return nil, err
	}
	who, _, err := access.Load(ctx, s.db, id)
	return gen.SignIn200JSONResponse(meOut(who)), err
}

// SignOut signs a browser out.
func (s *Server) SignOut(ctx context.Context, _ gen.SignOutRequestObject) (gen.SignOutResponseObject, error) {
	return gen.SignOut204Response{}, s.door.Leave(door.Visit(ctx))
}

// ChangePassword replaces the password of whoever asks.
func (s *Server) ChangePassword(ctx context.Context, r gen.ChangePasswordRequestObject) (gen.ChangePasswordResponseObject, error) {
	who, err := door.Must(ctx)
	if err != nil {
		return nil, err
	}
	if who.Kind != "person" {
		return nil, &fault.Error{Kind: fault.Forbidden, Msg: "a program has tokens and no password"}
	}
	epoch, err := access.ChangePassword(ctx, s.db, who, s.now(), r.Body.OldPassword, r.Body.NewPassword)
	if err != nil {
		return nil, err
	}
	return gen.ChangePassword204Response{}, s.door.Enter(door.Visit(ctx), who.ID, epoch)
}

// ListRoles lists the roles.
func (s *Server) ListRoles(ctx context.Context, _ gen.ListRolesRequestObject) (gen.ListRolesResponseObject, error) {
	who, err := door.Must(ctx)
	if err != nil {
		return nil, err
	}
	roles, err := access.Roles(ctx, s.db, who)
	return gen.ListRoles200JSONResponse{Items: each(roles, func(r access.Role) gen.Role {
		return gen.Role{Code: r.Code, Name: r.Name, Scope: gen.RoleScope(r.Scope), Capabilities: r.Capabilities}
	})}, err
}

// ListAccounts lists people and programs.
func (s *Server) ListAccounts(ctx context.Context, r gen.ListAccountsRequestObject) (gen.ListAccountsResponseObject, error) {
	who, err := door.Must(ctx)
	if err != nil {
		return nil, err
	}
	p, err := page("accounts", r.Params.Cursor, r.Params.Limit)
	if err != nil {
		return nil, err
	}
	rows, err := access.Accounts(ctx, s.db, who, p)
	rows, next := cut("accounts", rows, p, func(a access.Account) string { return a.ID.String() })
	return gen.ListAccounts200JSONResponse{Items: each(rows, accountOut), NextCursor: next}, err
}

// GetAccount reads an account.
func (s *Server) GetAccount(ctx context.Context, r gen.GetAccountRequestObject) (gen.GetAccountResponseObject, error) {
	who, err := door.Must(ctx)
	if err != nil {
		return nil, err
	}
	a, err := access.OneAccount(ctx, s.db, who, r.AccountId)
	return gen.GetAccount200JSONResponse{Body: accountOut(a), Headers: gen.GetAccount200ResponseHeaders{ETag: etag(a.Version)}}, err
}

// ReplaceAccount renames, shuts or opens an account.
func (s *Server) ReplaceAccount(ctx context.Context, r gen.ReplaceAccountRequestObject) (gen.ReplaceAccountResponseObject, error) {
	who, err := door.Must(ctx)
	if err != nil {
		return nil, err
	}
	version, err := versionSeen(r.Params.IfMatch, func() (int, error) {
		a, err := access.OneAccount(ctx, s.db, who, r.AccountId)
		return a.Version, err
	})
	if err != nil {
		return nil, err
	}
	a, err := write(ctx, s, func(tx *gorm.DB, who access.Actor, now time.Time) (access.Account, error) {
		return access.EditAccount(tx, who, now, r.AccountId, version, r.Body.Name, r.Body.Disabled)
	})
	return gen.ReplaceAccount200JSONResponse{Body: accountOut(a), Headers: gen.ReplaceAccount200ResponseHeaders{ETag: etag(a.Version)}}, err
}

// CreatePerson adds a person.
func (s *Server) CreatePerson(ctx context.Context, r gen.CreatePersonRequestObject) (gen.CreatePersonResponseObject, error) {
	a, err := once(ctx, s, "createPerson", r.Params.IdempotencyKey, r, func(tx *gorm.DB, who access.Actor, now time.Time) (access.Account, error) {
		return access.AddPerson(tx, who, now, access.NewPerson{Name: r.Body.Name, Login: r.Body.Login, CustomerID: r.Body.CustomerId, Grants: each(r.Body.Grants, grantIn)})
	})
	return gen.CreatePerson201JSONResponse{Body: accountOut(a), Headers: gen.CreatePerson201ResponseHeaders{ETag: etag(a.Version), Location: at("accounts", a.ID)}}, err
}

// CreateProgram adds a program.
func (s *Server) CreateProgram(ctx context.Context, r gen.CreateProgramRequestObject) (gen.CreateProgramResponseObject, error) {
	a, err := once(ctx, s, "createProgram", r.Params.IdempotencyKey, r, func(tx *gorm.DB, who access.Actor, now time.Time) (access.Account, error) {
		return access.AddProgram(tx, who, now, r.Body.Name, each(r.Body.Grants, grantIn))
	})
	return gen.CreateProgram201JSONResponse{Body: accountOut(a), Headers: gen.CreateProgram201ResponseHeaders{ETag: etag(a.Version), Location: at("accounts", a.ID)}}, err
}

// GiveRole gives an account one more role.
func (s *Server) GiveRole(ctx context.Context, r gen.GiveRoleRequestObject) (gen.GiveRoleResponseObject, error) {
	a, err := once(ctx, s, "giveRole", r.Params.IdempotencyKey, r, func(tx *gorm.DB, who access.Actor, now time.Time) (access.Account, error) {
		return access.GiveRole(tx, who, now, r.AccountId, grantIn(*r.Body))
	})
	return gen.GiveRole201JSONResponse(accountOut(a)), err
}

// EndRole ends a role.
func (s *Server) EndRole(ctx context.Context, r gen.EndRoleRequestObject) (gen.EndRoleResponseObject, error) {
	a, err := write(ctx, s, func(tx *gorm.DB, who access.Actor, now time.Time) (access.Account, error) {
		return access.EndRole(tx, who, now, r.AccountId, r.GrantId)
	})
	return gen.EndRole200JSONResponse(accountOut(a)), err
}

// secretly is a result whose secret is told in the first answer and kept nowhere.
type secretly[T any] struct {
	It     T
	Secret string `json:"-"`
}

// CreatePasswordLink makes a link to choose a password by.
func (s *Server) CreatePasswordLink(ctx context.Context, r gen.CreatePasswordLinkRequestObject) (gen.CreatePasswordLinkResponseObject, error) {
	l, err := once(ctx, s, "createPasswordLink", r.Params.IdempotencyKey, r, func(tx *gorm.DB, who access.Actor, now time.Time) (secretly[time.Time], error) {
		secret, ends, err := access.LinkFor(tx, who, now, r.AccountId)
		return secretly[time.Time]{ends, secret}, err
	})
	out := gen.PasswordLink{ExpiresAt: l.It}
	if l.Secret != "" {
		out.Address = new(s.door.Public("/enter/" + l.Secret))
	}
	return gen.CreatePasswordLink201JSONResponse(out), err
}

// ListTokens lists a program's tokens.
func (s *Server) ListTokens(ctx context.Context, r gen.ListTokensRequestObject) (gen.ListTokensResponseObject, error) {
	who, err := door.Must(ctx)
	if err != nil {
		return nil, err
	}
	all, err := access.Tokens(ctx, s.db, who, r.AccountId)
	return gen.ListTokens200JSONResponse{Items: each(all, tokenOut)}, err
}

// CreateToken gives a program a token.
func (s *Server) CreateToken(ctx context.Context, r gen.CreateTokenRequestObject) (gen.CreateTokenResponseObject, error) {
	t, err := once(ctx, s, "createToken", r.Params.IdempotencyKey, r, func(tx *gorm.DB, who access.Actor, now time.Time) (secretly[access.Token], error) {
		t, secret, err := access.GiveToken(tx, who, now, r.AccountId, r.Body.ExpiresAt)
		return secretly[access.Token]{t, secret}, err
	})
	out := tokenOut(t.It)
	if t.Secret != "" {
		out.Secret = &t.Secret
	}
	return gen.CreateToken201JSONResponse(out), err
}

// RevokeToken ends a token.
func (s *Server) RevokeToken(ctx context.Context, r gen.RevokeTokenRequestObject) (gen.RevokeTokenResponseObject, error) {
	t, err := write(ctx, s, func(tx *gorm.DB, who access.Actor, now time.Time) (access.Token, error) {
		return access.RevokeToken(tx, who, now, r.AccountId, r.TokenId)
	})
	return gen.RevokeToken200JSONResponse(tokenOut(t)), err
}

// ListTrail lists changes.
func (s *Server) ListTrail(ctx context.Context, r gen.ListTrailRequestObject) (gen.ListTrailResponseObject, error) {
	who, err := door.Must(ctx)
	if err != nil {
		return nil, err
	}
	p, err := page("trail", r.Params.Cursor, r.Params.Limit)
	if err != nil {
		return nil, err
	}
	rows, err := access.Trail(ctx, s.db, who, access.TrailFilter{EntityID: r.Params.EntityId, SiteID: r.Params.SiteId}, p)
	rows, next := cut("trail", rows, p, access.Change.Key)
	return gen.ListTrail200JSONResponse{Items: each(rows, changeOut), NextCursor: next}, err
}
