package journal

import _ "modernc.org/sqlite" // the driver: SQLite in pure Go
