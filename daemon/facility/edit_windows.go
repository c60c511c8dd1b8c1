package facility

import "os"

// keepOwner does nothing: a new file inherits the rights of its folder.
func keepOwner(*os.File, os.FileInfo) error { return nil }

// syncFolder does nothing: folders cannot be synced here.
func syncFolder(string) error { return nil }
