package post

import (
	"context"
	"net"

	gomail "github.com/wneessen/go-mail"
)

// DialAt has an office reach its server at another address than its name says, as where names lead
// elsewhere.
func (o *Office) DialAt(address string) {
	o.options = append(o.options, gomail.WithDialContextFunc(func(ctx context.Context, network, _ string) (net.Conn, error) {
		return new(net.Dialer).DialContext(ctx, network, address)
	}))
}
