package access

import (
	"crypto/rand"
	"crypto/sha256"
	"encoding/base64"
	"strings"
	"sync"

	"github.com/alexedwards/argon2id"

	"spindlebook/internal/fault"
)

// hashing is the second choice of RFC 9106 section 4 (64 MiB, three passes,
// four lanes), the one for machines that cannot give 2 GiB to a sign-in.
var hashing = &argon2id.Params{Memory: 64 * 1024, Iterations: 3, Parallelism: 4, SaltLength: 16, KeyLength: 32}

// hashers bounds the memory that sign-ins take at once.
var hashers = make(chan struct{}, 2)

func hashPassword(password string) (string, error) {
	hashers <- struct{}{}
	defer func() { <-hashers }()
	return argon2id.CreateHash(password, hashing)
}

func passwordFits(password, hash string) bool {
	hashers <- struct{}{}
	defer func() { <-hashers }()
	ok, err := argon2id.ComparePasswordAndHash(password, hash)
	return ok && err == nil
}

// nobodysHash is compared with where no such person exists, so that the time
// of an answer does not tell.
var nobodysHash = sync.OnceValue(func() string {
	h, err := argon2id.CreateHash(rand.Text(), hashing)
	if err != nil {
		panic(err) // no randomness
	}
	return h
})

const (
	shortestPassword = 12
	longestPassword  = 256
)

// checkPassword gives the fault of a password that is too easy, or nil.
func checkPassword(password, login string) *fault.Error {
	seen := map[rune]bool{}
	for _, r := range password {
		seen[r] = true
	}
	switch n := len([]rune(password)); {
	case n < shortestPassword:
		return &fault.Error{Field: "password", Msg: "takes at least 12 characters; four plain words make a good one"}
	case n > longestPassword:
		return &fault.Error{Field: "password", Msg: "takes at most 256 characters"}
	case len(seen) < 5:
		return &fault.Error{Field: "password", Msg: "must have at least 5 different characters"}
	case login != "" && strings.Contains(strings.ToLower(password), login):
		return &fault.Error{Field: "password", Msg: "must not contain the sign-in name"}
	}
	return nil
}

// NewSecret makes a secret of 256 bits and the hash under which it is kept. A
// plain hash serves: what is random throughout cannot be guessed.
func NewSecret() (secret string, hash []byte) {
	b := make([]byte, 32)
	_, _ = rand.Read(b) // never fails: the program would have stopped
	secret = base64.RawURLEncoding.EncodeToString(b)
	return secret, HashSecret(secret)
}

// HashSecret gives the hash under which a secret is kept.
func HashSecret(secret string) []byte {
	h := sha256.Sum256([]byte(secret))
	return h[:]
}
