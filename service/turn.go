package service

import "context"

// What computes does so in turns, of which there are few at a time (see package
// api). A turn is for the processor: whoever waits for something else gives it
// back until then, or one store that is slow would keep all from computing.

type turnKey struct{}

// WithTurn returns a context of work that has its turn. Pause ends the turn, or
// does nothing if it is ended already; what it returns waits until it has come
// again.
func WithTurn(ctx context.Context, pause func() (resume func())) context.Context {
	return context.WithValue(ctx, turnKey{}, pause)
}

// Waiting is to be called before waiting for anything but the processor, and what
// it returns afterwards. Locks of others who wait for a turn are such things too.
func Waiting(ctx context.Context) (over func()) {
	if pause, ok := ctx.Value(turnKey{}).(func() func()); ok {
		return pause()
	}
	return func() {}
}

// Apart returns the context of work that goes on for others when the caller has
// gone: it ends by itself, and has no turn.
func Apart(ctx context.Context) context.Context {
	return WithTurn(context.WithoutCancel(ctx), func() func() { return func() {} })
}
