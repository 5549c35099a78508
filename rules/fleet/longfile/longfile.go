// Package longfile makes files longer than memory should ever hold, for tests of
// what is held of one.
package longfile

import (
	"io"
	"runtime"
)

// File is a long file that is never there as a whole: a head, and a piece over and
// over until so many bytes of pieces are read.
type File struct {
	Head, Piece string
	Left        int64 // bytes of pieces that are still to come

	Given int64  // bytes that were read
	Most  uint64 // bytes in use at most, of those looked at while it was read

	at int // in Piece
}

// look is after how many bytes of the file it looks at what is in use.
const look = 1 << 20

// Read gives the next bytes. It never fails.
func (f *File) Read(p []byte) (n int, err error) {
	if f.Head != "" {
		n = copy(p, f.Head)
		f.Head = f.Head[n:]
	} else if f.Left <= 0 {
		return 0, io.EOF
	}
	for n < len(p) && f.Left > 0 {
		k := copy(p[n:min(int64(len(p)), int64(n)+f.Left)], f.Piece[f.at:])
		n, f.at, f.Left = n+k, (f.at+k)%len(f.Piece), f.Left-int64(k)
	}
	if (f.Given+int64(n))/look > f.Given/look {
		f.Most = max(f.Most, InUse())
	}
	f.Given += int64(n)
	return n, nil
}

// InUse is how many bytes of memory are in use, without garbage: how much of that
// lies beside them is the collector's, who comes late on a busy machine.
func InUse() uint64 {
	runtime.GC()
	var m runtime.MemStats
	runtime.ReadMemStats(&m)
	return m.HeapAlloc
}
