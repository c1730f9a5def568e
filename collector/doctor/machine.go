package doctor

import (
	"crypto/tls"
	"crypto/x509"
	"encoding/pem"
	"errors"
	"fmt"
	"io"
	"net/http"
	"os"
	"path/filepath"
	"syscall"
	"time"

	"dewpost/collector/record"
)

const (
	askTimeout = 5 * time.Second
	// A certificate that ends sooner wants a person: most are renewed a month
	// ahead.
	certificateDays = 21
	// A disk that is full sooner, or has less room than this, wants a person.
	roomDays  = 90
	roomBytes = 256 << 20
)

// private looks at files that nobody but their owner may read. Those that are
// missing are left to whoever needs them.
func (e *examiner) private(paths ...string) {
	for _, path := range paths {
		info, err := os.Stat(path)
		if err != nil {
			continue
		}
		if mode := info.Mode().Perm(); mode&0o077 != 0 {
			e.todo("secrets", fmt.Sprintf("chmod 600 %s", path), "%s holds secrets and has mode %04o: others on this machine may use it.", path, mode)
		}
	}
}

// collector asks whether the collector answers.
func (e *examiner) collector() {
	if e.in.Pages == "" {
		e.know("collector", "", "Whether the collector runs can't be told: its pages take a free port.")
		return
	}
	scheme := "http"
	if e.in.TLS {
		scheme = "https"
	}
	// The certificate is not checked here, only read: nothing is sent but a
	// question that anybody may ask.
	client := http.Client{Timeout: askTimeout, Transport: &http.Transport{
		TLSClientConfig: &tls.Config{InsecureSkipVerify: true}, DisableKeepAlives: true,
	}}
	req, err := http.NewRequestWithContext(e.ctx, http.MethodGet, scheme+"://"+e.in.Pages+"/healthz", nil)
	if err != nil {
		e.todo("collector", "correct pages.listen", "The collector can't be asked: %v.", err)
		return
	}
	resp, err := client.Do(req)
	if err != nil {
		e.todo("collector", "start it with dewpost serve, and see what it logs", "The collector does not answer: %v.", err)
		return
	}
	_, err = io.Copy(io.Discard, io.LimitReader(resp.Body, 1<<10))
	if err = errors.Join(err, resp.Body.Close()); err != nil || resp.StatusCode != http.StatusOK {
		e.todo("collector", "see what it logs, and whether another program has its port", "At %s something answers %s where the collector would say that it works.", e.in.Pages, resp.Status)
		return
	}
	e.fine("collector", "The collector answers at %s.", e.in.Pages)
	if resp.TLS != nil && len(resp.TLS.PeerCertificates) > 0 {
		e.ends("The certificate that the pages show", resp.TLS.PeerCertificates[0].NotAfter, "renew the files of tls.cert_file and tls.key_file, which the collector reads anew by itself; its own is made anew by itself")
	}
}

// certificate looks at the workshop's own certificate.
func (e *examiner) certificate() {
	if e.in.Certificate == "" {
		return
	}
	text, err := os.ReadFile(e.in.Certificate)
	if err != nil {
		e.todo("certificate", "correct tls.cert_file", "The certificate can't be read: %v.", err)
		return
	}
	block, _ := pem.Decode(text)
	if block == nil {
		e.todo("certificate", "correct tls.cert_file", "%s holds no certificate in PEM form.", e.in.Certificate)
		return
	}
	c, err := x509.ParseCertificate(block.Bytes)
	if err != nil {
		e.todo("certificate", "correct tls.cert_file", "The certificate in %s can't be read: %v.", e.in.Certificate, err)
		return
	}
	e.ends("The certificate in "+e.in.Certificate, c.NotAfter, "renew it and its key; the collector reads both anew by itself")
}

func (e *examiner) ends(what string, at time.Time, fix string) {
	left := at.Sub(e.in.Now)
	switch {
	case left < 0:
		e.todo("certificate", fix, "%s ended on %s.", what, at.UTC().Format(time.DateOnly))
	case left < certificateDays*24*time.Hour:
		e.todo("certificate", fix, "%s ends on %s, in %s.", what, at.UTC().Format(time.DateOnly), rough(left))
	default:
		e.fine("certificate", "%s is good until %s.", what, at.UTC().Format(time.DateOnly))
	}
}

// disk compares the room that is left with what the store grows by.
func (e *examiner) disk() {
	var fs syscall.Statfs_t
	if err := syscall.Statfs(filepath.Dir(e.in.Store), &fs); err != nil {
		e.todo("disk", "", "The room on the store's disk can't be told: %v.", err)
		return
	}
	free := int64(min(fs.Bavail, 1<<62/uint64(fs.Bsize))) * int64(fs.Bsize) // of 32 bits on some boards
	days := e.stats.last.Sub(e.stats.first).Hours() / 24
	says := fmt.Sprintf("The store takes %s and its disk has room for %s more", size(e.stats.size), size(free))
	enough := true
	if days >= 1 {
		left := float64(free) / (float64(e.stats.size) / days)
		says += fmt.Sprintf(": as it grew so far, for %s", lasting(left))
		enough = left >= roomDays
	}
	if !enough || free < roomBytes {
		e.todo("disk", "make room or move the store to a larger disk; when it is full nothing is receipted, and agents keep what they have", "%s.", says)
		return
	}
	e.fine("disk", "%s.", says)
}

func lasting(days float64) string {
	if days > 3650 {
		return "more than ten years"
	}
	return rough(time.Duration(days * 24 * float64(time.Hour)))
}

func size(n int64) string {
	if n < 10<<20 {
		return fmt.Sprintf("%d KiB", n>>10)
	}
	if n < 10<<30 {
		return fmt.Sprintf("%d MiB", n>>20)
	}
	return fmt.Sprintf("%d GiB", n>>30)
}

// backups looks at the newest backup.
func (e *examiner) backups() {
	const how = "make one every night: dewpost backup FOLDER --keep 14; the README says how"
	list := e.stats.backups
	if len(list) == 0 {
		if e.stats.counts.Stored == 0 && len(e.stats.stations) == 0 {
			e.know("backup", how, "There is no backup yet, and nothing to lose.")
			return
		}
		e.todo("backup", how, "No backup was ever made: %s and the secrets of %s are in one place only.",
			many(e.stats.counts.Stored, "reading"), many(int64(len(e.stats.stations)), "station"))
		return
	}
	b := list[0]
	age := e.now.Sub(b.At)
	since := e.stats.counts.Stored - b.Stored
	says := fmt.Sprintf("The newest backup is of %s, %s ago; %s came in since and would be lost with this disk", b.At.Time().Format(time.RFC3339), rough(age), many(since, "reading"))
	if age > record.BackupOld {
		e.todo("backup", how, "%s.", says)
	} else {
		e.fine("backup", "%s.", says)
	}
	e.backupFile(b)
}

// backupFile looks where the newest backup is.
func (e *examiner) backupFile(b record.Backup) {
	info, err := os.Stat(b.Path)
	switch {
	case errors.Is(err, os.ErrNotExist):
		e.know("backup", "see that it is where you can find it", "The newest backup, %s, is not there now.", b.Path)
		return
	case err != nil:
		e.know("backup", "see that it is where you can find it", "The newest backup can't be looked at: %v.", err)
		return
	case b.SHA256 != "" && info.Size() != b.Bytes:
		e.todo("backup", "verify it with dewpost backup --verify "+b.Path, "The newest backup, %s, has %d bytes and was made with %d.", b.Path, info.Size(), b.Bytes)
		return
	}
	e.private(b.Path)
	own, err := os.Stat(e.in.Store)
	if err == nil && device(own) == device(info) {
		e.know("backup", "keep one on another disk, and one in another house", "The newest backup lies on the same disk as the store: what breaks one breaks both.")
	}
}

func device(info os.FileInfo) uint64 {
	if st, ok := info.Sys().(*syscall.Stat_t); ok {
		return uint64(st.Dev)
	}
	return 0
}
