//go:build linux

package postgres_test

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"maps"
	"math/rand/v2"
	"net"
	"net/url"
	"os"
	"path/filepath"
	"strconv"
	"sync"
	"sync/atomic"
	"syscall"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgconn"
	"go.uber.org/goleak"

	"drawgear/db/pgtest"
	"drawgear/db/postgres"
	"drawgear/service"
)

// wire is the network between a store and its database, which a test makes fail.
type wire struct {
	listener         net.Listener
	network, address string

	flow  sync.RWMutex // held for writing while nothing passes
	delay atomic.Int64 // of every piece, each way
	// What a client says from which on its connection is dead: it stays open and
	// takes everything, and nothing comes of it.
	deadly atomic.Pointer[string]
	deaths atomic.Int64

	mu   sync.Mutex
	open map[net.Conn]bool
}

// newWire puts a wire before a database and gives the URL that leads over it.
func newWire(t testing.TB, database string) (*wire, string) {
	t.Helper()
	config, err := pgx.ParseConfig(database)
	if err != nil {
		t.Fatal(err)
	}
	w := &wire{open: map[net.Conn]bool{}}
	w.network, w.address = pgconn.NetworkAddress(config.Host, config.Port)
	if w.listener, err = net.Listen("tcp", "127.0.0.1:0"); err != nil {
		t.Fatal(err)
	}
	var running sync.WaitGroup
	running.Go(func() {
		for {
			conn, err := w.listener.Accept()
			if err != nil {
				return
			}
			running.Go(func() { w.connect(conn) })
		}
	})
	t.Cleanup(func() {
		_ = w.listener.Close()
		w.cut()
		running.Wait()
	})
	u := url.URL{Scheme: "postgres", User: url.UserPassword(config.User, config.Password), Host: w.listener.Addr().String(), Path: "/" + config.Database, RawQuery: "sslmode=disable"}
	return w, u.String()
}

func (w *wire) connect(client net.Conn) {
	defer client.Close()
	server, err := net.Dial(w.network, w.address)
	if err != nil {
		return
	}
	defer server.Close()
	w.mu.Lock()
	w.open[client] = true
	w.mu.Unlock()
	var both sync.WaitGroup
	both.Go(func() {
		w.carry(server, client)
		_ = server.Close()
	})
	both.Go(func() {
		w.carry(client, server)
		_ = client.Close()
	})
	both.Wait()
	w.mu.Lock()
	delete(w.open, client)
	w.mu.Unlock()
}

func (w *wire) carry(to, from net.Conn) {
	piece, dead := make([]byte, 32<<10), false
	for {
		n, err := from.Read(piece)
		if err != nil {
			return
		}
		if text := w.deadly.Load(); !dead && text != nil && bytes.Contains(piece[:n], []byte(*text)) {
			dead = true
			w.deaths.Add(1)
		}
		if dead {
			continue
		}
		time.Sleep(time.Duration(w.delay.Load()))
		w.flow.RLock()
		_, err = to.Write(piece[:n])
		w.flow.RUnlock()
		if err != nil {
			return
		}
	}
}

// cut ends all connections.
func (w *wire) cut() {
	w.mu.Lock()
	defer w.mu.Unlock()
	for conn := range w.open {
		_ = conn.Close()
	}
}

// faultPatience is how long anything may take before a test gives it up: far longer
// than any bound of a store, so that only what has no bound meets it.
const faultPatience = time.Minute

// noneLeft looks, when stores and wires of the test are closed, that nothing of
// them runs on. The driver gives a server some seconds to hear that a call was
// given up, so it may take as long.
func noneLeft(t *testing.T) {
	t.Helper()
	before := goleak.IgnoreCurrent()
	t.Cleanup(func() {
		var err error
		for end := time.Now().Add(faultPatience); time.Now().Before(end); {
			if err = goleak.Find(before); err == nil {
				return
			}
		}
		t.Error(err)
	})
}

// back waits until a store keeps records again.
func back(ctx context.Context, t *testing.T, s *postgres.Store) {
	t.Helper()
	var err error
	for end := time.Now().Add(faultPatience); time.Now().Before(end); time.Sleep(5 * time.Millisecond) {
		if err = s.Put(ctx, record(fmt.Sprint("probe-", time.Now().UnixNano()), day)); err == nil {
			return
		}
	}
	t.Fatalf("the store does not recover: %v", err)
}

// TestConnectionsCut cuts all connections again and again while many write. What
// was acknowledged is there, a repeated request has no second effect, the log
// holds together, and the store goes on by itself.
func TestConnectionsCut(t *testing.T) {
	database := pgtest.New(t)
	noneLeft(t)
	w, address := newWire(t, database)
	s := open(t, postgres.Config{URL: address, Connections: 12})
	ctx := home(t)
	known := &ledger{records: map[string]service.Record{}, replies: map[string]string{}}
	stop, cancel := context.WithCancel(ctx)
	var writers sync.WaitGroup
	for i := range 8 {
		writers.Go(func() {
			for j := 0; stop.Err() == nil; j++ {
				write(ctx, t, s, known, fmt.Sprintf("cut-%d-%04d", i, j), i%2 == 0)
			}
		})
	}
	many := faultRounds(t, 20, 5)
	for range many {
		time.Sleep(time.Duration(30+rand.IntN(100)) * time.Millisecond)
		w.cut()
	}
	back(ctx, t, s)
	cancel()
	writers.Wait()
	for id, want := range known.records {
		got, err := s.Get(ctx, id)
		if err != nil || !bytes.Equal(got.Answer, want.Answer) && known.replies[keyOf(id)] == "" {
			t.Errorf("the acknowledged record %s: %v", id, err)
		}
	}
	if known.failed == 0 || len(known.records) == 0 {
		t.Errorf("%d calls failed and %d records were acknowledged: the test shows nothing", known.failed, len(known.records))
	}
	stored := verifyLog(ctx, t, s)
	for key, id := range maps.All(known.replies) {
		if n := stored[key]; n != 1 {
			t.Errorf("key %s has %d records, the acknowledged one being %s", key, n, id)
		}
	}
	t.Logf("cut %d times: %d records and %d replies acknowledged, %d calls failed", many, len(known.records), len(known.replies), known.failed)
}

// keyOf is the idempotency key in the id of a record that write made with one.
func keyOf(id string) string {
	name, _, _ := bytes.Cut([]byte(id), []byte("/"))
	return string(bytes.TrimPrefix(name, []byte("once-")))
}

// TestNothingComesBack: over connections that stay open and carry nothing every
// call gives up, says that the store is away, and when they carry again all goes
// on; nothing of the calls runs on.
func TestNothingComesBack(t *testing.T) {
	database := pgtest.New(t)
	noneLeft(t)
	w, address := newWire(t, database)
	s, patient := open(t, postgres.Config{URL: address, Connections: 4, Timeout: 300 * time.Millisecond}), open(t, postgres.Config{URL: address, Timeout: faultPatience})
	ctx := home(t)
	put(ctx, t, patient, record("A", day))
	for round := range faultRounds(t, 3, 1) {
		w.flow.Lock()
		var calls sync.WaitGroup
		for name, call := range map[string]func() error{
			"Put":          func() error { return s.Put(ctx, record(fmt.Sprint("B-", round), day)) },
			"Get":          func() error { _, err := s.Get(ctx, "A"); return err },
			"List":         func() error { _, err := s.List(ctx, service.Filter{Limit: 1}); return err },
			"LogSize":      func() error { _, err := s.LogSize(ctx); return err },
			"FindKey":      func() error { _, err := s.FindKey(ctx, "AAAAAAAAAAAAAAAA"); return err },
			"LoadVersions": func() error { _, _, err := s.LoadVersions(ctx); return err },
			"Status":       func() error { _, err := s.Status(ctx); return err },
			"Once": func() error {
				_, _, err := s.Once(ctx, "key", [32]byte{}, func(context.Context, service.FullStore) (service.Reply, error) {
					return service.Reply{Status: 200}, nil
				})
				return err
			},
		} {
			for range 4 { // more than there are connections
				calls.Go(func() {
					if err := call(); !errors.Is(err, service.ErrUnavailable) {
						t.Errorf("%s fails with %v, want ErrUnavailable", name, err)
					}
				})
			}
		}
		done := make(chan struct{})
		go func() { calls.Wait(); close(done) }()
		select {
		case <-done:
		case <-time.After(faultPatience):
			t.Error("some call waits for ever")
		}
		w.flow.Unlock()
		<-done
		back(ctx, t, s)
	}
	verifyLog(ctx, t, s)
}

// TestSlowNetwork: a network that is slow makes a store slow and nothing else;
// one that is slower than a call may take makes it say that it is away.
func TestSlowNetwork(t *testing.T) {
	database := pgtest.New(t)
	noneLeft(t)
	w, address := newWire(t, database)
	patient, hasty := open(t, postgres.Config{URL: address, Timeout: faultPatience}), open(t, postgres.Config{URL: address, Timeout: 100 * time.Millisecond})
	ctx := home(t)
	put(ctx, t, patient, record("A", day))
	w.delay.Store(int64(200 * time.Millisecond))
	if _, err := hasty.Get(ctx, "A"); !errors.Is(err, service.ErrUnavailable) {
		t.Errorf("a call that may take half of the way there: %v", err)
	}
	if _, err := patient.Get(ctx, "A"); err != nil {
		t.Errorf("a call that has time: %v", err)
	}
	w.delay.Store(0)
	back(ctx, t, hasty)
}

// TestDeafListener: a connection for notices that dies the moment it asks for
// them is given up, and another tells of what is published.
func TestDeafListener(t *testing.T) {
	database := pgtest.New(t)
	noneLeft(t)
	w, address := newWire(t, database)
	s := open(t, postgres.Config{URL: address, Timeout: 300 * time.Millisecond})
	deadly := "LISTEN "
	w.deadly.Store(&deadly)
	ctx, cancel := context.WithCancel(t.Context())
	heard, ended := make(chan struct{}, 16), make(chan struct{})
	go func() {
		defer close(ended)
		_ = s.WatchVersions(ctx, func() { heard <- struct{}{} })
	}()
	defer func() { cancel(); <-ended }()
	for end := time.Now().Add(faultPatience); w.deaths.Load() == 0; time.Sleep(time.Millisecond) {
		if time.Now().After(end) {
			t.Fatal("nobody listens")
		}
	}
	w.deadly.Store(nil)
	select {
	case <-heard: // of what is there
	case <-time.After(faultPatience):
		t.Error("the listener waits for ever")
	}
}

// TestDiskFull fills the disk of the database. What cannot be kept is refused for
// the time being, what was kept can be read, and when there is room again all
// goes on.
func TestDiskFull(t *testing.T) {
	disk := smallDisk(t)
	database := pgtest.New(t)
	noneLeft(t)
	admin, err := pgx.ParseConfig(database)
	if err != nil {
		t.Fatal(err)
	}
	name := admin.Database
	admin.Database = "postgres"
	conn, err := pgx.ConnectConfig(t.Context(), admin)
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close(context.WithoutCancel(t.Context()))
	owner(t, disk, ask[string](t, conn, "SHOW data_directory"))
	space := "small_" + strconv.Itoa(os.Getpid())
	exec(t, conn, "CREATE TABLESPACE "+space+" LOCATION '"+disk+"'")
	exec(t, conn, "ALTER DATABASE "+name+" SET TABLESPACE "+space)
	s := open(t, postgres.Config{URL: database})
	ctx := home(t)
	// Back to where it was before the disk goes.
	defer func() {
		s.Close()
		exec(t, conn, "ALTER DATABASE "+name+" SET TABLESPACE pg_default")
		exec(t, conn, "DROP TABLESPACE "+space)
	}()
	put(ctx, t, s, record("before", day))

	ballast := filepath.Join(disk, "ballast")
	fill(t, ballast)
	refused := 0
	for i := 0; refused < 5; i++ {
		r := record(fmt.Sprint("full-", i), day)
		r.Rig = bytes.Repeat([]byte(`{"jurisdiction":"AU-NSW"}`), 100)
		if err := s.Put(ctx, r); errors.Is(err, service.ErrUnavailable) {
			refused++
		} else if err != nil {
			t.Fatalf("with the disk full: %v, want ErrUnavailable", err)
		} else if i > 100_000 {
			t.Fatal("the disk does not fill")
		}
	}
	if _, err := s.Get(ctx, "before"); err != nil {
		t.Errorf("what was kept before: %v", err)
	}
	if err := os.Remove(ballast); err != nil {
		t.Fatal(err)
	}
	back(ctx, t, s)
	verifyLog(ctx, t, s)
}

// smallDisk mounts one of a few megabytes, where the machine lets us.
func smallDisk(t *testing.T) string {
	t.Helper()
	dir := filepath.Join(os.TempDir(), "drawgear-disk-"+strconv.Itoa(os.Getpid()))
	if err := os.Mkdir(dir, 0o700); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = os.Remove(dir) })
	if err := syscall.Mount("tmpfs", dir, "tmpfs", 0, "size=48m"); err != nil {
		t.Skipf("no small disk can be made here: %v", err)
	}
	t.Cleanup(func() {
		if err := syscall.Unmount(dir, syscall.MNT_DETACH); err != nil {
			t.Errorf("unmount: %v", err)
		}
	})
	return dir
}

// owner gives a folder to whom the files of the server belong.
func owner(t *testing.T, dir, data string) {
	t.Helper()
	info, err := os.Stat(data)
	if err != nil {
		t.Skipf("the server has its files elsewhere: %v", err)
	}
	st := info.Sys().(*syscall.Stat_t)
	if err := os.Chown(dir, int(st.Uid), int(st.Gid)); err != nil {
		t.Fatal(err)
	}
}

// fill takes all that is left of a disk.
func fill(t *testing.T, path string) {
	t.Helper()
	f, err := os.Create(path)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	block := make([]byte, 4096)
	for err == nil {
		_, err = f.Write(block)
	}
	if !errors.Is(err, syscall.ENOSPC) {
		t.Fatal(err)
	}
}
