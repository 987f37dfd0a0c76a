// On a narrow screen the rooms stand in one row that scrolls: the one that is open must be seen in it.
const rooms = document.getElementById("rooms");
const open = rooms?.querySelector("[aria-current]");
if (open) rooms.scrollLeft = open.offsetLeft - rooms.offsetLeft - (rooms.clientWidth - open.offsetWidth) / 2;
