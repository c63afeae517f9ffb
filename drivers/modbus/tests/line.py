"""Two pseudo-terminals joined by a line that takes as long for every byte as a real one.

line.py A B BAUD BITS: makes A and B, links to the two ends.
"""
import os
import select
import sys
import time
import tty

ends = []
for link in sys.argv[1:3]:
    ours, theirs = os.openpty()
    tty.setraw(ours)
    tty.setraw(theirs)
    os.symlink(os.ttyname(theirs), link)
    ends.append(ours)
per_byte = int(sys.argv[4]) / int(sys.argv[3])
while True:
    for ready in select.select(ends, [], [])[0]:
        data = os.read(ready, 512)
        time.sleep(len(data) * per_byte)
        os.write(ends[1 - ends.index(ready)], data)
