package access

// What the tests look at and callers need not.
var (
	CheckPassword = checkPassword
	NobodysHash   = nobodysHash
	PasswordFits  = passwordFits
)
