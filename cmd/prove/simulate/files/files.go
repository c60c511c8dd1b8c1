// Package files handles the files of the records as a machine does that nobody
// should have: one that loses its mains within a write, and one whose disk
// spoils what lies on it.
package files

import (
	"bytes"
	"errors"
	"io/fs"
	"os"
)

// walSuffix ends the name of the log beside the records.
const walSuffix = "-wal"

// Image are the files of the records, by what follows their name.
type Image map[string][]byte

// Take returns the files as they lie there.
func Take(path string) (Image, error) {
	image := Image{}
	for _, suffix := range []string{"", walSuffix, ".last"} {
		body, err := os.ReadFile(path + suffix)
		if errors.Is(err, fs.ErrNotExist) {
			continue
		}
		if err != nil {
			return nil, err
		}
		image[suffix] = body
	}
	return image, nil
}

// Tear cuts the log off at a place within what was written last, from one size
// to the other; at picks one of so many places.
func (m Image) Tear(from, to int64, at func(places int) int) {
	if log := m[walSuffix]; to > from && int64(len(log)) >= to {
		m[walSuffix] = log[:from+int64(at(int(to-from)))]
	}
}

// Replace puts an image in the place of the files. Nobody may have them open.
func Replace(path string, with Image) error {
	for _, suffix := range []string{"", walSuffix, "-shm", ".last"} {
		if err := os.Remove(path + suffix); err != nil && !errors.Is(err, fs.ErrNotExist) {
			return err
		}
		if body, kept := with[suffix]; kept {
			if err := os.WriteFile(path+suffix, body, 0o600); err != nil {
				return err
			}
		}
	}
	return nil
}

// LogSize is how long the log is, 0 where there is none.
func LogSize(path string) int64 {
	info, err := os.Stat(path + walSuffix)
	if err != nil {
		return 0
	}
	return info.Size()
}

// Size is what the records and their log take up.
func Size(path string) int64 {
	total := LogSize(path)
	if info, err := os.Stat(path); err == nil {
		total += info.Size()
	}
	return total
}

// Damage spoils one of the packed days in the file, which nobody may have open;
// false when there is none.
func Damage(path string, which int) (bool, error) {
	body, err := os.ReadFile(path)
	if err != nil {
		return false, err
	}
	zstdMagic := []byte{0x28, 0xb5, 0x2f, 0xfd} // begins every packed day
	n := bytes.Count(body, zstdMagic)
	if n == 0 {
		return false, nil
	}
	at := 0
	for range which%n + 1 {
		at += bytes.Index(body[at:], zstdMagic) + len(zstdMagic)
	}
	for i := at; i < min(at+12, len(body)); i++ {
		body[i] ^= 0xa5
	}
	return true, os.WriteFile(path, body, 0o600)
}
