//go:build unix

package pgtest

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"os/exec"
	"os/user"
	"path/filepath"
	"slices"
	"strconv"
	"syscall"
	"time"

	"github.com/jackc/pgx/v5"
)

// local is a private server from programs of this machine. Its folder holds
// the data, the socket, and the log.
type local struct {
	bin, dir string
	as       *syscall.Credential // whom it runs as; nil for whom we run as
	cmd      *exec.Cmd           // nil once it was killed
	fsync    string              // on or off
	leash    io.Closer           // the server and its folder go when this is closed, or our process ends
	gone     chan error          // when they are
}

func fromLocal(ctx context.Context) (_ host, err error) {
	l := &local{fsync: "off"}
	if l.bin, err = programs(); err != nil {
		return nil, err
	}
	if os.Geteuid() == 0 { // as whom Postgres does not run
		if l.as, err = nobody(); err != nil {
			return nil, err
		}
	}
	// The path of a socket has hardly 100 bytes.
	if l.dir, err = os.MkdirTemp("", "pg"); err == nil && len(l.dir) > 70 {
		_ = os.Remove(l.dir)
		l.dir, err = os.MkdirTemp("/tmp", "pg")
	}
	if err != nil {
		return nil, fmt.Errorf("make a folder for the server: %w", err)
	}
	if l.as != nil {
		if err := os.Chown(l.dir, int(l.as.Uid), int(l.as.Gid)); err != nil {
			return nil, errors.Join(err, os.Remove(l.dir))
		}
	}
	if err := l.watch(); err != nil {
		return nil, errors.Join(err, os.Remove(l.dir))
	}
	out, err := l.command("initdb", "--pgdata="+l.data(), "--username=postgres", "--auth=trust",
		"--encoding=UTF8", "--locale=C", "--no-sync", "--no-instructions").CombinedOutput()
	if err != nil {
		return nil, errors.Join(fmt.Errorf("initdb: %w\n%s", err, out), l.stop())
	}
	if err := restart(ctx, l); err != nil {
		said, _ := os.ReadFile(l.log())
		return nil, errors.Join(fmt.Errorf("start the server: %w\n%s", err, said), l.stop())
	}
	return l, nil
}

// programs finds the folder of initdb and postgres.
func programs() (string, error) {
	var dirs []string
	if path, err := exec.LookPath("initdb"); err == nil {
		if path, err = filepath.EvalSymlinks(path); err == nil {
			dirs = append(dirs, filepath.Dir(path))
		}
	}
	debian, _ := filepath.Glob("/usr/lib/postgresql/*/bin") // the pattern is good
	version := func(dir string) int {
		n, _ := strconv.Atoi(filepath.Base(filepath.Dir(dir)))
		return n
	}
	slices.SortFunc(debian, func(a, b string) int { return version(b) - version(a) })
	for _, dir := range append(dirs, debian...) {
		_, noInit := exec.LookPath(filepath.Join(dir, "initdb"))
		_, noServer := exec.LookPath(filepath.Join(dir, "postgres"))
		if noInit == nil && noServer == nil {
			return dir, nil
		}
	}
	return "", errors.New("no initdb and postgres in PATH or /usr/lib/postgresql/*/bin")
}

// nobody is a user without rights.
func nobody() (*syscall.Credential, error) {
	for _, name := range []string{"postgres", "nobody"} {
		u, err := user.Lookup(name)
		if err != nil {
			continue
		}
		uid, noUID := strconv.ParseUint(u.Uid, 10, 32)
		gid, noGID := strconv.ParseUint(u.Gid, 10, 32)
		if noUID == nil && noGID == nil {
			return &syscall.Credential{Uid: uint32(uid), Gid: uint32(gid)}, nil
		}
	}
	return nil, errors.New("the server does not run as root, and there is no user postgres or nobody")
}

func (l *local) data() string { return filepath.Join(l.dir, "data") }
func (l *local) log() string  { return filepath.Join(l.dir, "log") }

// command runs a program of Postgres out of reach of the signals of a terminal.
func (l *local) command(name string, args ...string) *exec.Cmd {
	cmd := exec.Command(filepath.Join(l.bin, name), args...)
	cmd.Dir = l.dir
	cmd.Env = append(os.Environ(), "LC_ALL=C")
	cmd.SysProcAttr = &syscall.SysProcAttr{Credential: l.as, Setsid: true}
	return cmd
}

// watch starts a shell that waits for the end of our process, however it
// ends, then ends the server and removes the folder. (A signal from the kernel
// at our death would end the server too, but leave the folder.)
func (l *local) watch() error {
	cmd := exec.Command("/bin/sh", "-c", `
		read -r _
		kill -QUIT "$(head -n 1 "$1/data/postmaster.pid")"
		for i in 0 1 2 3 4 5 6 7 8 9; do [ -e "$1/data/postmaster.pid" ] && sleep 0.1; done
		rm -rf "$1"`, "pgtest", l.dir)
	cmd.SysProcAttr = &syscall.SysProcAttr{Setsid: true}
	leash, err := cmd.StdinPipe()
	if err == nil {
		err = cmd.Start()
	}
	if err != nil {
		return fmt.Errorf("start the watch over the server: %w", err)
	}
	l.leash, l.gone = leash, make(chan error, 1)
	go func() { l.gone <- cmd.Wait() }()
	return nil
}

func (l *local) String() string { return "private, from " + l.bin }
func (l *local) admin() string  { return "postgres://postgres@/postgres?host=" + l.dir }

func (l *local) start(context.Context) error {
	if l.cmd != nil && l.cmd.Process.Signal(syscall.Signal(0)) == nil {
		return nil // it is starting
	}
	log, err := os.OpenFile(l.log(), os.O_CREATE|os.O_APPEND|os.O_WRONLY, 0o600)
	if err != nil {
		return err
	}
	defer log.Close()
	// Without fsync a commit survives the death of the server, which is what is
	// tested, but not that of the machine. The commit still waits for its write.
	cmd := l.command("postgres", "-D", l.data(), "-k", l.dir, "-c", "listen_addresses=",
		"-c", "fsync="+l.fsync, "-c", "full_page_writes="+l.fsync, "-c", "synchronous_commit=on", "-c", "max_connections=200")
	cmd.Stdout, cmd.Stderr = log, log
	if err := cmd.Start(); err != nil {
		return err
	}
	l.cmd = cmd
	go func() { _ = cmd.Wait() }() // so that Signal knows when it has ended
	return nil
}

// kill leaves no process of the server: without the first, the others would
// still finish what they are at.
func (l *local) kill(ctx context.Context) error {
	var pids []int
	err := with(ctx, l.admin(), func(c *pgx.Conn) error {
		rows, err := c.Query(ctx, "SELECT pid FROM pg_stat_activity")
		if err == nil {
			pids, err = pgx.CollectRows(rows, pgx.RowTo[int])
		}
		return err
	})
	if err != nil {
		return fmt.Errorf("list the processes: %w", err)
	}
	err = l.cmd.Process.Kill()
	l.cmd = nil
	for _, pid := range pids {
		if e := syscall.Kill(pid, syscall.SIGKILL); e != nil && e != syscall.ESRCH { // most end with the first
			err = errors.Join(err, e)
		}
	}
	return err
}

func (l *local) durable() { l.fsync = "on" }

func (l *local) stop() error {
	if err := l.leash.Close(); err != nil {
		return err
	}
	select {
	case err := <-l.gone:
		return err
	case <-time.After(30 * time.Second):
		return errors.New("the server did not end within 30 s")
	}
}
