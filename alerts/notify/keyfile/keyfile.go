// Package keyfile keeps keys and other secrets in files that only our account can
// read.
package keyfile

import (
	"errors"
	"fmt"
	"io"
	"os"
)

// limit is more than any secret needs, in bytes.
const limit = 64 << 10

// Read reads the file of a secret, of 64 KiB at most. The error wraps
// fs.ErrNotExist if there is none; none says what is in the file.
func Read(path string) ([]byte, error) {
	info, err := os.Stat(path)
	if err != nil {
		return nil, err
	}
	if !info.Mode().IsRegular() {
		// Reading a device or a pipe would never end.
		return nil, fmt.Errorf("%s is not a file", path)
	}
	file, err := os.Open(path)
	if err != nil {
		return nil, err
	}
	defer file.Close() //nolint:errcheck // only read
	data, err := io.ReadAll(io.LimitReader(file, limit+1))
	if err != nil {
		return nil, err
	}
	if len(data) > limit {
		return nil, fmt.Errorf("%s is larger than %d bytes", path, limit)
	}
	return data, nil
}

// WriteNew writes a file that was not there, all of it or nothing, so that only
// our account can read it.
func WriteNew(path string, data []byte) (err error) {
	part := path + ".part"
	file, err := os.OpenFile(part, os.O_CREATE|os.O_TRUNC|os.O_WRONLY, 0o600)
	if err != nil {
		return err
	}
	_, err = file.Write(data)
	if err == nil {
		// A part that an earlier attempt left may have had another mode.
		err = file.Chmod(0o600)
	}
	err = errors.Join(err, file.Sync(), file.Close())
	if err == nil {
		err = os.Rename(part, path)
	}
	if err != nil {
		_ = os.Remove(part) // err says why
	}
	return err
}
