// Whether somebody watches the bench and this page hears of it: without a connection, or without a recorder, nothing that is shown holds now.

let watched = true;

export const isWatched = () => watched;

export function setWatched(value) {
  watched = value;
}
