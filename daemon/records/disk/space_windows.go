package disk

import "golang.org/x/sys/windows"

// Free is how many bytes a file in a folder may still grow by.
func Free(dir string) (int64, error) {
	name, err := windows.UTF16PtrFromString(dir)
	if err != nil {
		return 0, err
	}
	var free uint64
	err = windows.GetDiskFreeSpaceEx(name, &free, nil, nil)
	return int64(free), err
}
