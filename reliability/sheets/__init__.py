"""Reading life sheets, bundles and shot logs; every fault named by file, row and column."""
